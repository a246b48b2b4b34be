"""Corners of a ring: where two sides meet at an angle, and where they would meet if extended.

The iso-line of box-filtered artwork is rounded within about a pixel of a corner. So each side is
fitted by itself, at several lengths, without the samples nearest the candidate, and both are
extended until they meet. A corner and a tight curve turn alike; they are told apart by how far the
meeting point lies off the ring. For a curve of radius r that turns by d the sides meet
``r (1 / cos(d / 2) - 1)`` off it; for a true corner the ring stays nearer than a set share of a
pixel, since nothing but the pixel's own width rounds it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import ComplexArray, FloatArray
from tracer.fit.samples import Ring, line_weights, parabola_weights

_SCALES = (
    (2.2, 1, 24.0, 1.0),
    (4.0, 1, 16.0, 1.0),
    (6.0, 2, 14.0, 1.0),
    (8.0, 1, 10.0, 1.0),
    (12.0, 2, 9.0, 1.0),
    (4.0, 1, 80.0, 2.2),
)
"""(length in px, degree, least turn in degrees, px skipped) of the one-sided fits, by trial.

The last is for sharp tips, which are rounded further."""

_PLACING = ((12.0, 2), (8.0, 2), (5.0, 1), (3.0, 1))
"""(length in px, degree) of the sides that place the tips, the first that fits."""

_ROUNDED_PX = 0.85
"""The ring is rounded this near a shallow corner, and further off a sharp one."""

_BLUNT_PX = 3.0
"""Both sides of a blunt tip are looked at over this length, this far from its middle."""
_BLUNT_TURN = math.radians(105)

_DRAWN_TURN = math.radians(100)
_DRAWN_COUNT = 3
"""A ring turns back by so much at a tip of its own, and so many vertices on either side ..."""
_DRAWN_EVEN = math.radians(0.5)
_DRAWN_STEP_PX = 0.75
"""... turn as evenly as this and stand as near to each other as this: pixels leave none so even,
and lines none so near."""
_DRAWN_NEAR_PX = 1.5
"""A corner so near to such a tip, and turning as follows, is that tip."""
_DRAWN_LEAST_TURN = math.radians(80)
_DRAWN_REACH_PX = 0.7
"""So near to it the ring has no vertex but the tip itself."""

_SURE = 35.0
"""A turn of so many degrees at one scale is enough; less must be seen at two."""

_APART_PX = 1.6
"""Two corners are at least this far apart."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What the one-sided fits say at some samples of a ring (all arrays of one shape)."""

    index: NDArray[np.intp]  # sample
    turn: FloatArray  # radians, positive to the left
    meet: ComplexArray  # where the extended sides meet
    gap: FloatArray  # distance of the meeting point from the ring, px
    offset: FloatArray  # distance of the meeting point from the sample along the ring, px
    residual: FloatArray  # root mean square of both sides about their fits, px


def evidence(
    ring: Ring, index: NDArray[np.intp], length: float, degree: int, skip: float
) -> Evidence:
    """Fit both sides of the samples `index` over `length` px beyond `skip` px."""
    first = max(1, round(skip / ring.step))
    count = max(3, round(length / ring.step) + 1)
    weights = (
        np.array(line_weights(count, first))
        if degree == 1
        else np.array(parabola_weights(count, first))
    )
    offsets = first + np.arange(count)
    size = len(ring.even)
    sides = []
    for sign in (-1, 1):
        samples = ring.even[(index[:, None] + sign * offsets[None, :]) % size]
        terms = np.einsum("km,jm->kj", samples, weights)
        model = terms[:, :1] + terms[:, 1:2] * offsets
        if degree == 2:
            model = model + terms[:, 2:] * (offsets**2 / 2)
        normal = 1j * terms[:, 1] / np.maximum(np.abs(terms[:, 1]), 1e-12)
        across = ((samples - model) * np.conj(normal)[:, None]).real
        sides.append((terms[:, 0], sign * terms[:, 1], (across**2).mean(axis=1)))
    (back, before, error0), (front, after, error1) = sides
    turn = np.angle(after * np.conj(before))
    cross = (np.conj(before) * after).imag
    cross = np.where(np.abs(cross) < 1e-9, 1e-9, cross)
    meet = back + (np.conj(front - back) * after).imag / cross * before
    around = ring.even[(index[:, None] + np.arange(-first, first + 1)) % size]
    gap = np.abs(meet[:, None] - around).min(axis=1)
    middle = before / np.abs(before) + after / np.abs(after)
    middle = middle / np.maximum(np.abs(middle), 1e-9)
    offset = np.abs(((meet - ring.even[index]) * np.conj(middle)).real)
    return Evidence(index, turn, meet, gap, offset, np.sqrt((error0 + error1) / 2))


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The corners of a ring, in order (all arrays of one length)."""

    index: NDArray[np.intp]  # nearest even sample
    tip: ComplexArray  # where the extended sides meet
    turn: FloatArray  # radians
    reach: FloatArray  # how far from the tip the ring is not that of the sides, px
    drawn: NDArray[np.bool_]  # whether the ring itself goes out to the tip

    def chosen(self, kept: NDArray[np.intp] | NDArray[np.bool_]) -> "Corners":
        """Return some of the corners."""
        return Corners(*(getattr(self, name)[kept] for name in Corners.__slots__))

    def with_others(self, others: "Corners", apart: float, size: int) -> "Corners":
        """Return these and the others, that take the place of those within `apart` samples."""
        away = np.abs(self.index[:, None] - others.index[None, :])
        kept = self.chosen((np.minimum(away, size - away) > apart).all(axis=1))
        both = Corners(
            *(np.concatenate([getattr(kept, k), getattr(others, k)]) for k in Corners.__slots__)
        )
        return both.chosen(np.argsort(both.index))


_NONE = np.empty(0)
NO_CORNERS = Corners(
    _NONE.astype(np.intp), _NONE.astype(np.complex128), _NONE, _NONE, _NONE.astype(np.bool_)
)


def corners(ring: Ring, tolerance: float) -> Corners:
    """Find the corners of a ring.

    Parameters
    ----------
    ring
        The ring, in px.
    tolerance
        Fit tolerance in px, which says how rough the ring is.
    """
    rough = max(1.0, tolerance / 0.1)
    scale = rough**0.5
    size = len(ring.even)
    bent = _bent(ring, scale)
    votes = np.zeros(size)
    found: list[Evidence] = []
    for length, degree, least, skip in _SCALES:
        if 2 * (length + skip) * scale > ring.length / 2:
            continue
        seen = evidence(ring, bent, length * scale, degree, skip * scale)
        reach = (skip + length / 2) * scale if degree == 1 else math.inf
        passed = _passing(seen, reach, least * scale, tolerance, scale)
        said = np.zeros(size)
        sure = np.where(np.abs(passed.turn) >= np.radians(_SURE * scale), 2.0, 1.0)
        for shift in (-1, 0, 1):
            near = (passed.index + shift) % size
            said[near] = np.maximum(said[near], sure)
        votes += said
        found.append(passed)
    if not found or not len(bent):
        return NO_CORNERS
    index = np.concatenate([e.index for e in found])
    cost = np.concatenate([e.offset + 2 * e.residual for e in found]) - 0.1 * votes[index]
    agreed = votes[index] >= 2
    chosen = np.flatnonzero(agreed)
    turn = np.concatenate([e.turn for e in found])[chosen]
    apart = np.maximum(_APART_PX * scale, 1.3 * rounded_reach(turn, scale)) / ring.step
    kept = _spread_out(index[chosen], cost[chosen], size, apart)
    tip = np.concatenate([e.meet for e in found])[chosen[kept]]
    return _placed(ring, index[chosen[kept]], tip, turn[kept], tolerance, scale)


def blunt_tips(ring: Ring, tolerance: float) -> Corners:
    """Find tips that end blunt, a few px wide, where `corners` finds no corner.

    So short an end shows no sides of its own; both sides of the tip must be straight beyond it. A
    rounded end looks alike, so this is for rings that cannot be followed otherwise.
    """
    scale = max(1.0, tolerance / 0.1) ** 0.5
    if 4 * _BLUNT_PX * scale > ring.length / 2:
        return NO_CORNERS
    seen = evidence(ring, _bent(ring, scale), _BLUNT_PX * scale, 1, _BLUNT_PX * scale)
    keep = (
        (np.abs(seen.turn) >= _BLUNT_TURN)
        & (seen.residual <= 0.5 * tolerance)
        & (seen.gap <= 2 * _BLUNT_PX * scale)
    )
    index, turn, tip = seen.index[keep], seen.turn[keep], seen.meet[keep]
    reach = seen.gap[keep] + 1.5 * scale
    cost = seen.offset[keep] + 2 * seen.residual[keep]
    apart = np.full(len(index), 2 * _BLUNT_PX * scale / ring.step)
    kept = _spread_out(index, cost, len(ring.even), apart)
    drawn = np.zeros(len(index), dtype=np.bool_)
    return Corners(index, tip, turn, reach, drawn).chosen(kept)


def rounded_reach(turn: FloatArray, scale: float) -> FloatArray:
    """Return how far from a corner of that turn (radians) the ring may be rounded, px."""
    return _ROUNDED_PX * scale / np.maximum(np.cos(np.abs(turn) / 2), 0.25)


def tip_gap(turn: FloatArray | float, scale: float) -> FloatArray:
    """Return how far off the ring the sides of a true corner may meet at most, px (by trial)."""
    sharp = np.minimum(np.tan(np.minimum(turn, 3.1) / 2), 5.0)
    return np.asarray(scale * (0.30 + 0.45 * sharp))


def _placed(
    ring: Ring,
    index: NDArray[np.intp],
    tip: ComplexArray,
    turn: FloatArray,
    tolerance: float,
    scale: float,
) -> Corners:
    """Return the corners with tips from the longest sides that are clear of what is rounded."""
    n = len(index)
    if n == 0:
        return NO_CORNERS
    size = len(ring.even)
    gaps = (np.roll(index, -1) - index) % size
    lengths = np.where(gaps == 0, size, gaps) * ring.step
    room = np.minimum(lengths, np.roll(lengths, 1))
    skip = rounded_reach(turn, scale) + 0.2
    tip, turn = tip.copy(), turn.copy()
    done = np.zeros(n, dtype=np.bool_)
    for length, degree in _PLACING:
        for level in np.unique(np.round(skip / ring.step)):
            todo = np.flatnonzero(
                ~done & (np.round(skip / ring.step) == level) & (room > length * scale + 2 * skip)
            )
            if not len(todo):
                continue
            seen = evidence(ring, index[todo], length * scale, degree, level * ring.step)
            good = (seen.residual < 0.3 * tolerance) & (np.abs(seen.meet - tip[todo]) < 1.5 * scale)
            good &= np.abs(seen.turn - turn[todo]) < 0.5
            tip[todo[good]], turn[todo[good]] = seen.meet[good], seen.turn[good]
            done[todo[good]] = True
    reach, drawn = rounded_reach(turn, scale), np.zeros(n, dtype=np.bool_)
    for vertex in _drawn_tips(ring).tolist():
        away = np.abs(ring.even[index] - vertex)
        k = int(away.argmin())
        if away[k] < _DRAWN_NEAR_PX and abs(turn[k]) > _DRAWN_LEAST_TURN:
            tip[k], reach[k], drawn[k] = vertex, _DRAWN_REACH_PX, True
    return Corners(index, tip, turn, reach, drawn)


def _drawn_tips(ring: Ring) -> ComplexArray:
    """Return the vertices (N,) that are sharp tips of the ring's own, none of the pixels' doing."""
    ways = np.roll(ring.vertices, -1) - ring.vertices
    turn, length = np.angle(ways * np.roll(ways, 1).conj()), np.abs(ways)
    own = np.abs(turn) > _DRAWN_TURN
    count = range(1, _DRAWN_COUNT + 1)
    for side, edge in ((1, 0), (-1, 1)):
        turns = np.stack([np.roll(turn, side * k) for k in count])
        steps = np.stack([np.roll(length, side * k + edge) for k in count])
        own &= (np.ptp(turns, axis=0) < _DRAWN_EVEN) & (steps.max(axis=0) < _DRAWN_STEP_PX)
    return ring.vertices[own]


def _bent(ring: Ring, scale: float) -> NDArray[np.intp]:
    """Return the samples about which the ring turns enough for a corner: the others are saved."""
    near, far = max(1, round(0.8 * scale / ring.step)), max(2, round(4.5 * scale / ring.step))
    even = ring.even
    ahead = np.roll(even, -far) - np.roll(even, -near)
    behind = np.roll(even, near) - np.roll(even, far)
    cross = (np.conj(behind) * ahead).imag
    along = (np.conj(behind) * ahead).real
    return np.flatnonzero(np.abs(cross) > math.tan(math.radians(6)) * along)


def _passing(
    seen: Evidence, reach: float, least: float, tolerance: float, scale: float
) -> Evidence:
    turn = np.abs(seen.turn)
    allowed = tip_gap(turn, scale**0.5)  # pixels round a corner, noise hardly rounds it further
    if math.isfinite(reach):  # straight sides: a curve would be off by reach tan(turn / 4)
        allowed = np.minimum(allowed, 0.6 * reach * np.tan(turn / 4))
    keep = (
        (turn >= np.radians(least))
        & (seen.residual <= 0.5 * tolerance)
        & (seen.gap <= allowed)
        & (seen.offset <= 0.7 * scale)
    )
    return Evidence(*(getattr(seen, name)[keep] for name in Evidence.__slots__))


def _spread_out(
    index: NDArray[np.intp], cost: FloatArray, size: int, apart: FloatArray
) -> NDArray[np.intp]:
    """Return which of `index`, in ring order, are cheapest and not nearer than `apart` (N,)."""
    free = np.ones(size, dtype=np.bool_)
    chosen = []
    for row in np.lexsort((index, cost)).tolist():
        k = int(index[row])
        if free[k]:
            chosen.append((k, row))
            reach = int(apart[row])
            free[np.arange(k - reach, k + reach + 1) % size] = False
    return np.array([row for _, row in sorted(chosen)], dtype=np.intp)
