"""Rulers for outlines: how far two outlines lie apart, and which corners were found.

Tested in `tests/test_rulers.py` against planted errors and a slow independent way.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree  # type: ignore[import-untyped] # carries no types

from tests.truth import Corners, Floats, TrueOutline

STEP_PX = 0.02
"""Both outlines are sampled at least this densely."""
PIECE_PX = 0.2
NEIGHBOURS = 6
REACH_PX = 1.0
"""A corner counts as found when one lies within this distance of the true one."""
FOUND_DEG = 15.0
MATCH_DEG = 10.0
BEND_DEG = 4.0
"""An outline that turns back by less counts as straight there, not as bent the other way."""


@dataclass(frozen=True)
class Spread:
    """Distances along an outline, each with the length of outline that it stands for."""

    distances: Floats
    lengths: Floats

    def percentile(self, percent: float) -> float:
        """Return the distance that `percent` of the length stays below."""
        if not len(self.distances):
            return float("inf")
        order = np.argsort(self.distances)
        part = np.cumsum(self.lengths[order])
        at = np.searchsorted(part, percent / 100 * part[-1] * (1 - 1e-12))
        return float(self.distances[order[min(at, len(order) - 1)]])

    @property
    def largest(self) -> float:
        """The largest distance."""
        return float(self.distances.max()) if len(self.distances) else float("inf")


def two_sided(ours: Sequence[Floats], true: Sequence[Floats], step: float = STEP_PX) -> Spread:
    """Return the distances of our outline from the true one and of the true one from ours.

    Each outline is a list of closed rings (N, 2), the last point not repeated. Distances are from
    samples of one to the lines (not the samples) of the other, so sampling adds nothing to them.
    An outline that is missing altogether is infinitely far.
    """
    if not ours or not true:
        return Spread(np.empty(0), np.empty(0))
    there, back = one_sided(ours, true, step), one_sided(true, ours, step)
    return Spread(
        np.concatenate([there.distances, back.distances]),
        np.concatenate([there.lengths, back.lengths]),
    )


def one_sided(outline: Sequence[Floats], other: Sequence[Floats], step: float = STEP_PX) -> Spread:
    """Return the distances of one outline from another.

    Both are cut into pieces of at most `PIECE_PX`; the pieces of the other whose middles are
    nearest are tried for each sample. The result is never too small.
    """
    start, end = _pieces(outline)
    from_, to = _pieces(other)
    middle = (start + end) / 2
    _, near = cKDTree((from_ + to) / 2).query(middle, k=min(NEIGHBOURS, len(from_)))
    near = near.reshape(len(middle), -1)
    length = np.hypot(*(end - start).T)
    count = np.maximum(1, np.ceil(length / step - 1e-9)).astype(int)
    owner = np.repeat(np.arange(len(length)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    t = ((nth + 0.5) / count[owner] - 0.5).astype(np.float32)
    # positions about the middle of the piece, so that single precision is plenty
    way = (end - start).astype(np.float32)
    x, y = way[owner, 0] * t, way[owner, 1] * t
    least = np.full(len(owner), np.inf, dtype=np.float32)
    for k in range(near.shape[1]):
        a = (from_[near[:, k]] - middle).astype(np.float32)
        d = (to[near[:, k]] - from_[near[:, k]]).astype(np.float32)
        d2 = np.maximum(d[:, 0] ** 2 + d[:, 1] ** 2, np.float32(1e-20))
        px, py = x - a[owner, 0], y - a[owner, 1]
        dx, dy = d[owner, 0], d[owner, 1]
        u = np.clip((px * dx + py * dy) / d2[owner], 0, 1)
        np.minimum(least, (px - u * dx) ** 2 + (py - u * dy) ** 2, out=least)
    return Spread(np.sqrt(least).astype(np.float64), (length / count)[owner])


def _pieces(rings: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Return the edges of closed rings, cut into equal parts of at most `PIECE_PX`."""
    a = np.concatenate(list(rings))
    b = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    count = np.maximum(1, np.ceil(np.hypot(*(b - a).T) / PIECE_PX)).astype(int)
    owner = np.repeat(np.arange(len(a)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    way = (b - a)[owner]
    share = count[owner, None]
    return a[owner] + way * (nth[:, None] / share), a[owner] + way * ((nth[:, None] + 1) / share)


def sign_changes(rings: Sequence[Floats], least_deg: float = BEND_DEG) -> int:
    """Return how often the curvature of closed rings (N, 2) changes its sign.

    The direction of the outline is followed round; it counts as turning the other way once it has
    turned back by `least_deg`. A convex ring has none, an S-shaped stroke two a bend.
    """
    return sum(_sign_changes(ring, math.radians(least_deg)) for ring in rings)


def _sign_changes(ring: Floats, least: float) -> int:
    z = ring[:, 0] + 1j * ring[:, 1]
    step = np.roll(z, -1) - z
    step = step[np.abs(step) > 0]
    turn = np.angle(step / np.roll(step, 1))
    way, extreme, direction, changes = 0, 0.0, 0.0, 0
    for number, by in enumerate([*turn.tolist(), *turn.tolist()]):  # the first round finds the way
        direction += by
        if way * (direction - extreme) >= 0 and way:
            extreme = direction
        elif abs(direction - extreme) >= least:
            way, extreme = (1 if direction > extreme else -1), direction
            changes += number >= len(turn)
    return changes


@dataclass(frozen=True)
class CornerScore:
    """Corners of an outline against the true ones."""

    wanted: int
    hit: int
    found: int
    false: int
    errors: Floats  # px, from each wanted corner that was hit to where it was put


def score_corners(found: Corners, truth: TrueOutline) -> CornerScore:
    """Compare the corners of a drawing with the true ones.

    Wanted are the clear corners of the truth; they are hit by a joint within `REACH_PX` that turns
    at least `MATCH_DEG`. A joint that turns `FOUND_DEG` or more where the truth neither has a
    joint nor turns tightly within `REACH_PX` is false.
    """
    joints = found.points[found.turns >= MATCH_DEG]
    claimed = found.points[found.turns >= FOUND_DEG]
    miss = _nearest(truth.corners.points, joints)
    stray = _nearest(claimed, truth.allowed.points)
    return CornerScore(
        wanted=len(miss),
        hit=int(np.sum(miss <= REACH_PX)),
        found=len(claimed),
        false=int(np.sum(stray > REACH_PX)),
        errors=miss[miss <= REACH_PX],
    )


def _nearest(points: Floats, others: Floats) -> Floats:
    if not len(points) or not len(others):
        return np.full(len(points), np.inf)
    distance: NDArray[np.float64] = cKDTree(others).query(points)[0]
    return distance
