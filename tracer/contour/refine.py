"""Move contours to where the coverage says that the edge is."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.contour.area import (
    Floats,
    Loops,
    area_of,
    cross_free,
    crossings,
    resampled,
    with_room,
)
from tracer.contour.enlarged import reduced
from tracer.contour.extract import extract_rings
from tracer.contour.noise import flat_noise
from tracer.contour.smooth import Bending, fair_step
from tracer.contour.soft import soft_refined
from tracer.model import Coverage, Edge, EdgeNoise, Points

MARGIN_PX = 2
REACHES_PX = (2.0, 8.0, math.inf)
"""How far about a crossing the level line is taken back, in turn."""
CALM_NOISE = 0.006
"""Noise of coverage that 8 bits, curves and JPEG of good quality leave; by trial, as `MANNERS`."""
HALVING_NOISE = 0.004
"""What on top of that makes half of the rounds enough."""
FAIRNESS_PER_NOISE2 = 2.5e4
CORNER_PER_NOISE = 15.0
KEPT_AREA = 0.3
"""A ring that kept less than this share of its area, or over its inverse, is taken back whole."""


@dataclass(frozen=True, slots=True)
class Manner:
    """How rings are refined; all found by trial on drawn icons and discs, see tests/bench."""

    step_px: float
    rounds: int
    bending: Bending


MANNERS = {
    Edge.SHARP: Manner(0.6, 3, Bending(fairness=0.1, corner_px=0.1)),
    Edge.RINGING: Manner(0.6, 3, Bending(fairness=1.0, corner_px=0.1)),
    Edge.SOFT: Manner(0.6, 12, Bending(fairness=0.03, corner_px=0.05)),
    Edge.STAIRS: Manner(1.5, 6, Bending(fairness=1.0, corner_px=0.3)),
}


def refine_rings(
    rings: tuple[Points, ...], coverage: Coverage, noise: EdgeNoise
) -> tuple[Points, ...]:
    """Return the rings moved so that they produce the coverage that is seen.

    Promised: as many rings in the same order, each simple, none crossing or touching itself or
    another; where moved vertices would cross, the level line is kept about the place. In a small
    bitmap that was enlarged the rings are those of its true pixels, whatever `rings` are.

    Not promised: a vertex at every corner. Corners come nearer to their true place than on the
    level line, but their last half pixel is for who knows that two sides meet there.

    Parameters
    ----------
    rings
        What `extract_rings` returned for `coverage`.
    coverage
        The coverage seen.
    noise
        What `edge_noise` returned; its kind chooses the way:

        * sharp, ringing: the exact area that the ring leaves in each pixel it passes is brought to
          the coverage there, the more evenly bent the less the coverage can be trusted;
        * soft: the area coverage of the rings is blurred as the artwork is, and what is missing
          is given back to the vertices about;
        * staircase: the ring is bent as evenly as it can be while the pixels in which it leaves
          more than half are those that are full.

    Returns
    -------
    tuple of Points
        Each (N, 2) in px, y down, about evenly spaced: 0.6 px apart, 1.5 px for staircases.

    Notes
    -----
    Own method. The area of pixels under a polygon is that of scan converters; the least squares
    are those of image reconstruction. See `tracer.contour.smooth`.
    """
    small, wide = reduced(coverage)
    if wide > 1:
        true = EdgeNoise(
            noise.kind, noise.sigma_px / wide, noise.blur_px / wide, noise.tolerance_px / wide
        )
        return tuple(ring * wide for ring in refine_rings(extract_rings(small), small, true))
    if not rings:
        return ()
    manner = _manner(noise)
    seen, pad = with_room(coverage.values, rings, MARGIN_PX + math.ceil(4 * noise.blur_px))
    sampled = [resampled(ring + pad, manner.step_px) for ring in rings]
    loops = Loops.of(tuple(points for points, _ in sampled))
    if noise.kind is Edge.SOFT:
        loops = soft_refined(loops, seen, noise.blur_px, manner.rounds, manner.bending)
    else:
        misfit = _half_misfit if noise.kind is Edge.STAIRS else np.subtract
        flat = seen.ravel()
        for _ in range(manner.rounds):
            loops = fair_step(loops, flat, seen.shape[1], misfit, manner.bending)
    refined = tuple(ring - pad for ring in loops.rings)
    return _untangled(rings, refined, tuple(along for _, along in sampled))


def _manner(noise: EdgeNoise) -> Manner:
    """Return how to refine: the less coverage can be trusted, the sooner it is enough.

    Rounds that go on undo the blur of the noise as well, and make an edge rougher than its level
    line was. What evenness should weigh grows with the square of the noise, as in any least
    squares of normal errors.
    """
    plain, off = MANNERS[noise.kind], max(0.0, flat_noise(noise) - CALM_NOISE)
    rounds = max(min(plain.rounds, 3), round(plain.rounds / (1 + off / HALVING_NOISE)))
    fairness = max(plain.bending.fairness, FAIRNESS_PER_NOISE2 * off**2)
    corner_px = plain.bending.corner_px + CORNER_PER_NOISE * off
    return Manner(plain.step_px, rounds, Bending(fairness, corner_px))


def _half_misfit(seen: Floats, covered: Floats) -> Floats:
    """Return what is missing for full pixels to be more than half covered and empty ones less."""
    return np.where(seen >= 0.5, np.maximum(0.5 - covered, 0), np.minimum(0.5 - covered, 0))


def _untangled(
    level: tuple[Points, ...], refined: tuple[Points, ...], alongs: tuple[Floats, ...]
) -> tuple[Points, ...]:
    """Take back the level line where refined rings cross, turn over or vanish.

    `alongs` says how far along its level line each refined vertex started.
    """
    back = [np.full(len(ring), not _kept(a, ring)) for a, ring in zip(level, refined, strict=True)]
    rings = tuple(map(_merged, level, refined, alongs, back))
    if cross_free(rings):
        return rings
    for reach in REACHES_PX:
        for number, place in crossings(rings):
            near = np.hypot(*(refined[number] - place).T) <= reach
            back[number] |= near
        rings = tuple(map(_merged, level, refined, alongs, back))
        if cross_free(rings):
            return rings
    return level


def _kept(before: Points, after: Points) -> bool:
    share = area_of(after) / area_of(before)
    return KEPT_AREA < share < 1 / KEPT_AREA


def _merged(level: Points, refined: Points, along: Floats, back: NDArray[np.bool_]) -> Points:
    """Return a refined ring with the vertices marked `back` replaced by the level line there."""
    if not back.any():
        return refined
    way = np.roll(level, -1, axis=0) - level
    place = np.concatenate([[0.0], np.cumsum(np.hypot(way[:, 0], way[:, 1]))[:-1]])
    step = along[1]
    nearest = np.rint(place / step).astype(int) % len(refined)
    taken = back[nearest]
    order = np.argsort(np.concatenate([along[~back], place[taken]]), kind="stable")
    return np.concatenate([refined[~back], level[taken]])[order]
