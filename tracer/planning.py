"""From a wish and the bytes of its artwork to a plan: the pipeline, then the rooms of the piece."""

import cmath
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from tracer.curves.path import Drawing
from tracer.curves.regions import as_region
from tracer.errors import UsageError
from tracer.model import Points, Region, Result, Width
from tracer.names import shown_name
from tracer.piece.amounts import checked_density
from tracer.piece.assemble import PlacedArt, plan_piece
from tracer.piece.blank import Grown, Silhouette, drawn_blank, grown_silhouette
from tracer.piece.flat import region_of
from tracer.piece.hole import WALL_ADVISED_MM, hole_diameter, place_hole
from tracer.piece.layout import largest_width
from tracer.piece.materials import load_filling, load_metal
from tracer.piece.means import MARGIN_MM, Means, draft_for, fillet_for, fitted
from tracer.piece.plan import Plan
from tracer.piece.solid import offset
from tracer.piece.wish import Design, PieceWish
from tracer.pipeline import Job, Traced, size_and_mend, trace_pixels
from tracer.process import check_metal_and_mould, load_process
from tracer.rules.pitch import pitch_for
from tracer.settings import Relief, Role, Size, SizeBy

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class _Sized:
    """A design traced at its size, in the frame of its artwork."""

    design: Design
    result: Result
    width_mm: float


def make_plan(
    wish: PieceWish, artworks: Mapping[Path, bytes], *, progress: Progress = lambda _: None
) -> Plan:
    """Plan a piece.

    Parameters
    ----------
    wish
        What is asked.
    artworks
        The bytes of each artwork that the wish names.
    progress
        Called with the name of each stage as it begins.

    Raises
    ------
    UsageError
        What is asked cannot be had: a rounding beyond the limit, a hole outside the piece.
    InputError
        An artwork cannot be read or worked.
    """
    process = load_process(wish.settings.process)
    check_metal_and_mould(process, wish.settings.alloy)
    metal = load_metal(wish.settings.alloy or process.alloy or "pewter")
    if wish.composition is not None:
        metal = replace(metal, composition=wish.composition, label=_composed(wish.composition))
    if wish.density is not None:
        checked_density(wish.density, tin_base=metal.is_tin)
    means = Means(process, metal, load_filling(process.mould))
    traced = {
        path: trace_pixels(data, shown_name(path.name), wish.settings, progress=progress)
        for path, data in artworks.items()
    }
    sized = _sized(wish, means, traced, progress)
    arts = _placed(sized)
    progress("planning")
    return plan_piece(wish, means, arts, _outline(wish, arts))


def _sized(
    wish: PieceWish, means: Means, traced: Mapping[Path, tuple[Traced, ...]], progress: Progress
) -> list[_Sized]:
    draft = draft_for(wish, means.process)
    sized = []
    for design in wish.designs:
        found = traced[design.artwork]
        if design.level >= len(found):
            raise UsageError(
                f"{len(found)} levels found, level {design.level + 1} is asked for",
                hint="--levels and --heights want the same count",
                subject=shown_name(design.artwork.name),
            )
        rings = tuple(ring for level in found for ring in level.rings)
        width = design.width_mm or _fitting_width(wish, means, design, rings)
        size = Size(SizeBy.WIDTH, width)
        if len(found) > 1:  # levels of one artwork keep their places
            size = Size(SizeBy.PITCH, pitch_for(rings, size))
        height = abs(design.height_mm)
        settings = replace(
            wish.settings,
            size=size,
            role=_role(design),
            relief=Relief(height or None, draft, wish.finish_mm, wish.settings.relief.printer),
        )
        result = size_and_mend(
            found[design.level],
            Job(settings, means.process, check_only=False, sizes=None, progress=progress),
        )
        sized.append(_Sized(design, result, width))
    return sized


def _role(design: Design) -> Role:
    if design.height_mm == 0:
        return Role.SILHOUETTE
    return Role.RAISED if design.height_mm > 0 else Role.SUNK


def _fitting_width(
    wish: PieceWish, means: Means, design: Design, rings: tuple[Points, ...]
) -> float:
    """Return the largest width with room to rim, rounding and hole."""
    if isinstance(wish.blank, Grown | Silhouette):
        raise UsageError(
            "no size given",
            hint="this blank follows the artwork: give its width, such as --art-width 40mm",
            subject="--art-width",
        )
    points = np.concatenate(rings) * (1, -1)
    outline = region_of(drawn_blank(wish.blank))
    lean = math.tan(math.radians(draft_for(wish, means.process)))
    margin = MARGIN_MM + (wish.edge_radius_mm or 0.0) + wish.body_mm * lean
    margin += max(design.height_mm, 0) * lean + fillet_for(wish, means.process)
    if wish.rim_mm:
        margin = max(margin, wish.rim_mm[0] + MARGIN_MM)
    if design.keep_in_mm is not None:
        margin = design.keep_in_mm
    room: Region = offset(outline, -margin)
    diameter = hole_diameter(wish.hole, means.limit("through_opening"))
    if diameter:
        wall = max(WALL_ADVISED_MM, wish.edge_radius_mm or 0.0)
        at = wish.hole_at or place_hole(outline, 0.0, 0.0, diameter, wall).at
        keep_off = shapely.Point(at).buffer(diameter / 2 + MARGIN_MM)
        room = shapely.MultiPolygon(
            [p for p in shapely.get_parts(room.difference(keep_off)) if p.geom_type == "Polygon"]
        )
    width = 0.0 if room.is_empty else largest_width(points, design.at, design.turn_deg, room)
    width = math.floor(width * 10) / 10
    if width < 1:
        raise UsageError(
            "no room for the artwork there",
            hint="give --art-width, another --art-at or a larger --blank",
            subject="--art-width",
        )
    return width


def _placed(sized: list[_Sized]) -> tuple[PlacedArt, ...]:
    """Move every design to its place; levels of one artwork move as one."""
    arts = []
    for one in sized:
        together = [s.result for s in sized if s.design.artwork == one.design.artwork]
        multi = len({s.design.level for s in sized if s.design.artwork == one.design.artwork}) > 1
        boxes = np.array([r.fitted.drawing.bounds for r in (together if multi else [one.result])])
        low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
        middle = complex(*(low + high) / 2)
        turn = cmath.exp(1j * math.radians(one.design.turn_deg)) if one.design.turn_deg else 1 + 0j
        shift = complex(*one.design.at) - turn * middle
        findings = tuple(
            (finding, _pair(turn * complex(*finding.at) + shift))
            for finding in one.result.mended.findings
        )
        drawing = one.result.fitted.drawing.mapped(turn, shift)
        arts.append(
            PlacedArt(
                one.design,
                shown_name(one.design.artwork.name),
                drawing,
                one.width_mm,
                _mm(one.result.verified.least_metal),
                _mm(one.result.verified.least_gap),
                findings,
            )
        )
    return tuple(arts)


def _outline(wish: PieceWish, arts: tuple[PlacedArt, ...]) -> Drawing:
    """Return the outline of the blank."""
    match wish.blank:
        case Silhouette():
            return Drawing(tuple(shape for art in arts for shape in art.drawing.shapes))
        case Grown(margin):
            whole = shapely.union_all([region_of(art.drawing) for art in arts])
            return fitted(grown_silhouette(as_region(whole), margin))
        case _:
            return drawn_blank(wish.blank)


def _composed(composition: Mapping[str, float]) -> str:
    return "alloy of " + ", ".join(f"{share:g} {name}" for name, share in composition.items())


def _mm(width: Width | None) -> float | None:
    return width.mm if width is not None else None


def _pair(point: complex) -> tuple[float, float]:
    return point.real, point.imag
