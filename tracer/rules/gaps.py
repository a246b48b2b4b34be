"""Narrow gaps: widen, fill, or leave open with the reason."""

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.model import Kind
from tracer.rules.patches import Patch, fillable, grown, touching
from tracer.rules.skeleton import Bools, Floats, Skeleton
from tracer.rules.strips import widened
from tracer.rules.survey import Defect, Sizes, Survey
from tracer.settings import Repairs

_GIVES = 0.7
"""Share of the metal along a gap that must be able to give; corners never look as if they could."""

_SWALLOWED = 0.5
"""Share of a gap that is filled from which on it is lost as a gap."""

_CUT_BACK = 0.15
"""A patch is given up if more than this share of it is in the way of a gap."""


def mend_gaps(
    found: Survey,
    defects: list[Defect],
    sizes: Sizes,
    repairs: Repairs,
    *,
    sunk: bool,
    tolerance: float,
) -> list[Patch]:
    """Return the patches for the gaps that are narrow as drawn.

    Notches that run in from one side are filled until they are as round as the limit asks.
    A gap is widened where the metal on both sides stays above its limit, else filled; where the
    metal on both sides is too thin itself, `auto` leaves it as it is.
    """
    gaps = [d for d in defects if d.kind is Kind.NARROW_GAP]
    if not gaps:
        return []
    poles = metal_halves(found.axis, found.metal_side)
    half = (sizes.gap + sizes.margin) / 2
    patches, fills = [], []
    for gap in gaps:
        choice = choose(gap, found.axis, poles, sizes, repairs)
        if choice == "widen":
            patches.append(Patch(widened(found, gap, half, tolerance), add=False))
        elif choice == "fill":
            fills.append(gap)
    if fills:
        parts = fillable(found.region, half, tolerance, sunk=sunk)
        patches += [Patch(_filling(found, gap, parts, half, tolerance), add=True) for gap in fills]
    return patches


def _filling(
    found: Survey, gap: Defect, parts: np.ndarray, half: float, tolerance: float
) -> BaseGeometry:
    near = grown(gap.place, half)
    chosen: BaseGeometry = touching(parts, gap.place, tolerance).intersection(near)
    if gap.thin is not None and gap.thin.mouths > 1 and chosen.is_empty:
        chosen = widened(found, gap, half, tolerance)  # a pinch between two wide places
    return chosen


def metal_halves(axis: Skeleton, metal_side: Bools) -> Floats:
    """Return for each boundary point half the width of the metal at it."""
    corners = axis.corners
    use = metal_side & (corners >= 0).all(axis=1)
    poles = np.zeros(len(axis.point))
    for k in range(3):
        np.maximum.at(poles, corners[use, k], axis.half[use])
    return poles


def choose(gap: Defect, axis: Skeleton, poles: Floats, sizes: Sizes, repairs: Repairs) -> str:
    """Return what is done about a gap: widen | fill | leave."""
    assert gap.thin is not None
    if gap.thin.runs_out:
        return "fill"
    if repairs.gaps == "fill":
        return "fill"
    nodes = gap.thin.line
    corners = axis.corners[nodes]
    known = (corners >= 0).all(axis=1)
    if not known.any():
        return "widen" if repairs.gaps == "widen" else "fill"
    give = (sizes.gap + sizes.margin) / 2 - axis.half[nodes][known]
    beside = poles[corners[known]]
    left = 2 * beside - 2 * np.maximum(give, 0)[:, None]
    if (left >= sizes.metal).mean() > _GIVES:
        return "widen"
    both_thin = (2 * beside < sizes.metal - sizes.slack).mean() > 0.5
    if repairs.gaps == "widen" or both_thin:
        return "leave"
    return "fill"


def spared(
    found: Survey,
    before: Survey,
    fresh: BaseGeometry,
    patches: list[Patch],
    sizes: Sizes,
    *,
    tolerance: float,
) -> tuple[list[Patch], list[Patch]]:
    """Hold back what would make a gap too narrow.

    `found` is the survey of the region with the patches applied, `before` that without them,
    `fresh` what they added. A gap that they fill altogether is held open as it was. Where the metal
    beside a gap can give the gap is widened again; else a patch that is in the way for much of its
    length is given up, and one that is in the way at a place is cut back there.

    Returns
    -------
    tuple
        The patches to apply in place of the given ones, and cuts to make after them.
    """
    gaps = [
        d
        for d in found.defects
        if d.kind is Kind.NARROW_GAP
        and d.thin is not None
        and not d.thin.runs_out
        and d.place.distance(fresh) < 2 * tolerance
    ]
    half = (sizes.gap + sizes.margin) / 2
    blocked = [widened(before, gap, half, tolerance) for gap in _swallowed(before, fresh)]
    if not gaps and not blocked:
        return patches, []
    poles = metal_halves(found.axis, found.metal_side)
    cuts = []
    for gap in gaps:
        strip = widened(found, gap, half, tolerance)
        if choose(gap, found.axis, poles, sizes, Repairs()) == "widen":
            cuts.append(Patch(strip, add=False))
        else:
            blocked.append(strip)
    if not blocked:
        return patches, cuts
    held = shapely.union_all(blocked)
    left = []
    for patch in patches:
        own = patch.shape.intersection(fresh)
        in_the_way = own.intersection(held).area if patch.add else 0.0
        if in_the_way <= _CUT_BACK * own.area or own.area == 0:
            left.append(Patch(patch.shape.difference(held), patch.add) if in_the_way else patch)
    return left, cuts


def _swallowed(before: Survey, fresh: BaseGeometry) -> list[Defect]:
    """Return the gaps of a region that are filled for the better part by what is added to it."""
    shapely.prepare(fresh)
    return [
        d
        for d in before.defects
        if d.kind is Kind.NARROW_GAP
        and d.thin is not None
        and not d.thin.runs_out
        and fresh.intersects(d.place)
        and fresh.intersection(d.place).area > _SWALLOWED * d.area
    ]
