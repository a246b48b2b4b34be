"""Narrow gaps: widen, fill, or leave open with the reason."""

import numpy as np
import shapely

from tracer.model import Kind, Region
from tracer.rules.patches import Patch, fillable, grown, touching, widened
from tracer.rules.skeleton import Bools, Floats, Skeleton
from tracer.rules.survey import Defect, Sizes, Survey
from tracer.settings import Repairs


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
            patches.append(Patch(widened(found.axis, gap, half, tolerance), add=False))
        elif choice == "fill":
            fills.append(gap)
    if fills:
        parts = fillable(found.region, half, tolerance, sunk=sunk)
        for gap in fills:
            patches.append(Patch(_filling(found.axis, gap, parts, half, tolerance), add=True))
    return patches


def _filling(
    axis: Skeleton, gap: Defect, parts: np.ndarray, half: float, tolerance: float
) -> shapely.Geometry:
    near = grown(gap.place, half)
    chosen = touching(parts, gap.place, tolerance).intersection(near)
    if gap.thin is not None and gap.thin.mouths > 1 and chosen.is_empty:
        chosen = widened(axis, gap, half, tolerance)  # a pinch between two wide places
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
    if gap.thin.is_tip:
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
    if (left >= sizes.metal).mean() > 0.98:
        return "widen"
    both_thin = (2 * beside < sizes.metal - sizes.slack).mean() > 0.5
    if repairs.gaps == "widen" or both_thin:
        return "leave"
    return "fill"


def reopen_gaps(
    found: Survey,
    defects: list[Defect],
    fresh: Region,
    sizes: Sizes,
    *,
    sunk: bool,
    tolerance: float,
) -> list[Patch]:
    """Return the patches for gaps that repairs have made narrow.

    Notches are rounded. Gaps are widened where the metal can give; else what was added beside them
    is taken back as far as needed, which leaves the metal as it was drawn or a little better.
    """
    gaps = [d for d in defects if d.kind is Kind.NARROW_GAP and d.place.distance(fresh) < 1e-6]
    if not gaps:
        return []
    poles = metal_halves(found.axis, found.metal_side)
    half = (sizes.gap + sizes.margin) / 2
    parts = fillable(found.region, half, tolerance, sunk=sunk)
    patches = []
    for gap in gaps:
        choice = choose(gap, found.axis, poles, sizes, Repairs())
        if gap.thin is not None and gap.thin.is_tip:
            patches.append(Patch(_filling(found.axis, gap, parts, half, tolerance), add=True))
            continue
        strip = widened(found.axis, gap, half, tolerance)
        shape = strip if choice == "widen" else strip.intersection(fresh)
        patches.append(Patch(shape, add=False))
    return patches
