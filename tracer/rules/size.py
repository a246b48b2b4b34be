"""How size decides: the smallest safe size, and what is lost at each size."""

import numpy as np

from tracer.model import Kind, Region, SizePoint
from tracer.process import Limits
from tracer.rules.find import Place
from tracer.rules.report import verdict_of
from tracer.rules.skeleton import Skeleton
from tracer.rules.survey import Defect, Sizes, axis_of, defects_of, sizes_of, sound_from
from tracer.settings import Grade, Role, Settings


def smallest_safe_factor(defects: tuple[Defect, ...]) -> float:
    """Return how many times as large the piece must be for nothing to need a change.

    Points (tips of metal, notches in it) are not counted: at every size they come out blunt by the
    same fraction of a millimetre. Loose pieces are: no size joins them.
    """
    return max((sound_from(d) for d in defects if not _is_point(d)), default=0.0)


def _is_point(defect: Defect) -> bool:
    return defect.thin is not None and defect.thin.is_tip


def size_curve(
    region: Region, limits: Limits, settings: Settings, widths_mm: tuple[float, ...]
) -> tuple[SizePoint, ...]:
    """Return what is lost when the piece is made at each width.

    The share changed is an estimate along the centre lines: what thickening adds, what filling and
    removing take. It leaves out how repairs act on each other.
    """
    left, _, right, _ = region.bounds
    present = right - left
    if limits.none or region.is_empty:
        return tuple(SizePoint(w, 0, 0.0, verdict_of((), limits)) for w in widths_mm)
    grade = sizes_of(limits, settings.grade, 0.0)
    axis = axis_of(region, grade.scaled(max(widths_mm, default=present) / present))
    metal = ~axis.inside if settings.role is Role.SUNK else axis.inside
    points = []
    for width in widths_mm:
        factor = width / present
        scaled = grade.scaled(factor)
        defects = defects_of(axis, metal, scaled, settings.role)
        judged = defects
        if settings.grade is not Grade.ADVISED:
            advised = sizes_of(limits, Grade.ADVISED, 0.0).scaled(factor)
            judged = defects_of(axis, metal, advised, settings.role)
        share = sum(_changed(axis, d, scaled) for d in defects) / region.area
        points.append(
            SizePoint(width, len(defects), share, verdict_of(judged, limits, factor=factor))
        )
    return tuple(points)


def _changed(axis: Skeleton, defect: Defect, sizes: Sizes) -> float:
    """Estimate the area that the default repair of a defect adds or takes."""
    if defect.kind is Kind.LOOSE_PIECE or defect.hole_mm:
        return 0.0
    if defect.thin is None or not defect.metal or defect.kind is Kind.SHARP_TIP:
        return defect.area
    return _thickening(axis, defect.thin, sizes.metal / 2)


def _thickening(axis: Skeleton, place: Place, half: float) -> float:
    chosen = np.zeros(len(axis.half), dtype=bool)
    chosen[place.line] = True
    a, b = axis.link[chosen[axis.link].all(axis=1)].T
    length = np.abs(axis.centre[a] - axis.centre[b])
    short = np.maximum(half - (axis.half[a] + axis.half[b]) / 2, 0)
    return float((2 * short * length).sum())
