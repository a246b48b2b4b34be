"""Findings in words and numbers."""

import math
from collections.abc import Sequence

from tracer.curves.regions import valid_region
from tracer.model import Finding, Kind, Region, Verdict
from tracer.process import Limit, Limits
from tracer.rules.survey import Defect, Sizes, sound_from
from tracer.settings import Role, Settings
from tracer.units import shown_length

_BANDS = 12
_WITHIN_REACH = 10.0
"""Times the present size: nobody makes a piece larger than that for one place."""


def limit_of(defect: Defect, limits: Limits) -> Limit:
    """Return the limit that a defect is held to."""
    match defect.kind:
        case Kind.SMALL_ISLAND:
            return limits.island
        case Kind.SMALL_OPENING:
            return limits.opening
        case Kind.NARROW_GAP:
            return limits.gap
        case _:
            return limits.metal


def verdict_of(defects: Sequence[Defect], limits: Limits, *, factor: float = 1.0) -> Verdict:
    """Return the verdict of artwork made `factor` times its size that has some defects.

    Below the least limit it will not cast. Points that merely come out blunt, and specks, put it
    at risk.
    """
    if not defects:
        return Verdict.SOUND
    for defect in defects:
        point = defect.thin is not None and defect.thin.is_tip
        least = limit_of(defect, limits).least
        if not point and defect.count == 1 and defect.width * factor < least:
            return Verdict.WILL_NOT_CAST
    return Verdict.AT_RISK


def in_reading_order(
    defects: Sequence[Defect], bounds: tuple[float, float, float, float]
) -> list[Defect]:
    """Return defects from top to bottom in bands, within a band from left to right."""
    _, bottom, _, top = bounds
    band = max((top - bottom) / _BANDS, 1e-9)
    return sorted(
        defects,
        key=lambda d: (
            math.floor((top - d.at.imag) / band),
            d.at.real,
            -d.at.imag,
            d.kind,
            d.width,
        ),
    )


def finding_of(  # noqa: PLR0913 - one row of the report
    defect: Defect,
    changed: Region,
    still: list[Defect],
    drawn: Region,
    sizes: Sizes,
    limits: Limits,
    settings: Settings,
    *,
    kept: bool,
    check_only: bool,
) -> Finding:
    """Return the finding for a defect, from what was changed for it and what is left of it."""
    status = "kept" if kept else ("open" if still or check_only else "fixed")
    limit = limit_of(defect, limits)
    return Finding(
        number=0,
        kind=defect.kind,
        at=(defect.at.real, defect.at.imag),
        width_mm=defect.width,
        limit_mm=limit.at(settings.grade),
        least_mm=limit.least,
        area_mm2=defect.area,
        action=_action(
            defect, changed, still, drawn, sizes, settings, status, check_only=check_only
        ),
        status=status,
        sound_from_factor=sound_from(defect),
        place=valid_region(defect.place),
        changed=changed,
        lost_mm=defect.lost,
        detail=_detail(defect),
    )


def _detail(defect: Defect) -> str:
    if defect.hole_mm:
        return (
            f"a round hole of {shown_length(defect.hole_mm)}, as for a ring or cord: never filled"
        )
    if defect.kind is Kind.LOOSE_PIECE:
        return "it would be a separate casting"
    return ""


def _action(  # noqa: PLR0913, PLR0911 - one row of words a case
    defect: Defect,
    changed: Region,
    still: list[Defect],
    drawn: Region,
    sizes: Sizes,
    settings: Settings,
    status: str,
    *,
    check_only: bool,
) -> str:
    width = shown_length(defect.width)
    if status == "kept":
        return "left as drawn, as you asked"
    if defect.kind is Kind.LOOSE_PIECE and status == "open" and not check_only:
        return "left: joined to nothing; --islands bridge ties it to its neighbour"
    if defect.hole_mm:
        return f"left at {width}: cast a dimple and drill it"
    if check_only:
        return f"would be {_deed(defect, sizes, settings)}"
    if status == "fixed":
        metal_in = settings.role is not Role.SUNK
        added = changed.difference(drawn).area
        grew = (added > changed.area / 2) == metal_in
        return _done(defect, sizes, grew=grew, changed=changed.area > 0)
    now = min((d.width for d in still if d.metal is defect.metal), default=0.0)
    if defect.kind is Kind.SHARP_TIP and settings.repairs.tips == "leave":
        return "left sharp, as you asked"
    partly = f", now {shown_length(now)}" if now > defect.width + 0.005 else ""
    return f"left open at {width}{partly}: {_reason(defect, sizes)}"


def _reason(defect: Defect, sizes: Sizes) -> str:
    """Return why a place is left, and the size from which it need not be.

    Where metal and gap together are narrower than their limits together, both grow with the piece:
    there is room at (metal limit + gap limit) / (metal + gap) times the size (12.3 of the facts).
    """
    if defect.width <= 0:
        return "no repair fits here"
    needed, there = sizes.metal + sizes.gap, defect.width + defect.beside()
    if there < needed:
        room, factor = "there is room for both", needed / there
    else:
        room, factor = "it is wide enough", defect.limit / defect.width
    at = f"; {room} at {max(factor, 1):.2f} times the size" if factor <= _WITHIN_REACH else ""
    metal, gap = shown_length(sizes.metal), shown_length(sizes.gap)
    return f"no room here for {metal} of metal beside {gap} of gap{at}"


def _deed(defect: Defect, sizes: Sizes, settings: Settings) -> str:  # noqa: PLR0911 - one a kind
    """Return what the chosen repair does, for a check."""
    repairs = settings.repairs
    width = shown_length(defect.width)
    match defect.kind:
        case Kind.SMALL_ISLAND:
            return {"remove": "removed", "enlarge": "enlarged", "bridge": "bridged"}[
                repairs.islands
            ]
        case Kind.SMALL_OPENING:
            return "filled" if repairs.openings == "fill" else "enlarged"
        case Kind.LOOSE_PIECE:
            return "bridged" if repairs.islands == "bridge" else "a separate casting"
        case Kind.SHARP_TIP:
            blunt = f"blunted to a radius of {shown_length(sizes.metal / 2)}"
            return blunt if repairs.tips == "blunt" else "left sharp"
        case Kind.NARROW_GAP:
            wide = f"widened from {width} to {shown_length(sizes.gap)} or filled"
            return {"auto": wide, "widen": wide.removesuffix(" or filled"), "fill": "filled"}[
                repairs.gaps
            ]
        case _:
            if repairs.thin == "remove" and defect.kind is not Kind.NECK:
                return "removed"
            return f"thickened from {width} to {shown_length(sizes.metal)}"


def _done(defect: Defect, sizes: Sizes, *, grew: bool, changed: bool) -> str:  # noqa: PLR0911 - one row of words a case
    """Return what was done, read off the change itself."""
    width = shown_length(defect.width)
    many = f"{defect.count} specks " if defect.count > 1 else ""
    if not changed:
        return "mended by the repair beside it"
    match defect.kind:
        case Kind.SMALL_ISLAND:
            if not grew:
                return f"{many}removed"
            return f"enlarged or tied from {width}"
        case Kind.SMALL_OPENING:
            if grew:
                return f"{many.replace('specks', 'pinholes')}filled"
            return f"enlarged from {width} to {shown_length(sizes.opening)}"
        case Kind.SHARP_TIP:
            return f"blunted to a radius of {shown_length(sizes.metal / 2)}"
        case Kind.NARROW_GAP:
            if defect.thin is not None and defect.thin.is_tip:
                return f"notch rounded to a radius of {shown_length(sizes.gap / 2)}"
            return "filled" if grew else f"widened from {width} to {shown_length(sizes.gap)}"
        case Kind.LOOSE_PIECE:
            return "tied to its neighbour by a bridge"
        case _:
            return f"thickened from {width} to {shown_length(sizes.metal)}" if grew else "removed"
