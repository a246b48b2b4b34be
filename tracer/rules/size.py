"""How size decides: the smallest safe size, and what is lost at each size."""

import math

import numpy as np

from tracer.model import Kind, SizePoint
from tracer.process import Limits
from tracer.rules.find import Place
from tracer.rules.report import verdict_of
from tracer.rules.skeleton import Skeleton, finer_at
from tracer.rules.survey import Defect, Sizes, Survey, defects_of, sizes_of, sound_from
from tracer.settings import Grade, Role, Settings

_SMALLEST = 1 / 1024
"""Share of its size to which a sound piece is followed down; an artwork has fewer pixels across."""


def smallest_safe_factor(drawn: Survey, role: Role) -> float:
    """Return how many times as large the piece must be for nothing to need a change.

    Below 1 where the piece is sound and could be made smaller: its size is halved until a place
    breaks a limit. Points (tips of metal, notches in it) are not counted: at every size they come
    out blunt by the same fraction of a millimetre. Loose pieces are: no size joins them. Where
    there is nothing to measure, 0.
    """
    if not len(drawn.axis.half):
        return 0.0
    factor, places = 1.0, _of_width(drawn.defects)
    while not places and factor > _SMALLEST:
        factor /= 2
        places = _of_width(defects_of(drawn.axis, drawn.sizes.scaled(factor), role))
    return factor * max((sound_from(defect) for defect in places), default=1.0)


def _of_width(defects: tuple[Defect, ...]) -> list[Defect]:
    """Return the defects that a size can mend, or none: all but points."""
    return [d for d in defects if d.thin is None or not d.thin.is_tip]


def size_curve(
    drawn: Survey, limits: Limits, settings: Settings, widths_mm: tuple[float, ...]
) -> tuple[SizePoint, ...]:
    """Return what is lost when a surveyed piece is made at each width.

    Widths grow with the piece, so that a place that is sound is so at every larger size, and the
    skeleton of the survey serves for all sizes; for larger ones, whose limits are smaller parts of
    the piece, it is made finer at the places that are not sound yet. The share changed is an
    estimate along the centre lines: what thickening adds, what filling and removing take. It
    leaves out how repairs act on each other.
    """
    if not len(drawn.axis.half):
        return tuple(SizePoint(w, 0, 0.0, verdict_of((), limits)) for w in widths_mm)
    left, _, right, _ = drawn.region.bounds
    factors = [width / (right - left) for width in widths_mm]
    sizes, role, advised = drawn.sizes, settings.role, None
    if settings.grade is not Grade.ADVISED:  # of which the verdict is
        advised = sizes_of(limits, Grade.ADVISED, sizes.margin)
    finer = _finer(drawn, advised, role, max(factors, default=1.0))
    points = []
    for width, factor in zip(widths_mm, factors, strict=True):
        axis, scaled = finer if factor > 1 else drawn.axis, sizes.scaled(factor)
        defects = defects_of(axis, scaled, role)
        judged = defects_of(axis, advised.scaled(factor), role) if advised else defects
        share = math.fsum(_changed(axis, d, scaled) for d in defects) / drawn.region.area
        verdict = verdict_of(judged, limits, factor=factor)
        points.append(SizePoint(width, len(defects), share, verdict))
    return tuple(points)


def _finer(drawn: Survey, advised: Sizes | None, role: Role, factor: float) -> Skeleton:
    """Return a skeleton that is fine enough for artwork `factor` times as large."""
    known = drawn.defects + (defects_of(drawn.axis, advised, role) if advised else ())
    nodes = [d.thin.nodes for d in known if d.thin is not None]
    if factor <= 1 or not nodes:
        return drawn.axis
    return finer_at(drawn.axis, np.concatenate(nodes), drawn.sizes.scaled(factor).spacing)


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
