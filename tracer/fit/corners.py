"""Corners of a ring: where two sides meet at an angle, and where they would meet if extended.

The iso-line of box-filtered artwork is rounded within about a pixel of a corner. So each side is
fitted by itself, at several lengths, without the samples nearest the candidate, and both are
extended until they meet. A corner and a tight curve turn alike; they are told apart by how far the
meeting point lies off the ring. For a curve of radius r that turns by d the sides meet
``r (1 / cos(d / 2) - 1)`` off it; for a true corner the ring stays nearer than a set share of a
pixel, since nothing but the pixel's own width rounds it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import ComplexArray, FloatArray
from tracer.fit.samples import Ring, line_weights, parabola_weights

_SKIP_PX = 1.0
_SCALES = ((2.2, 1, 24.0), (4.0, 1, 16.0), (6.0, 2, 14.0), (8.0, 1, 10.0), (12.0, 2, 9.0))
"""(length in px, degree, least turn in degrees) of the one-sided fits, found by trial."""

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
        terms = samples @ weights.T
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
    everywhere = np.arange(size)
    votes = np.zeros(size)
    found: list[Evidence] = []
    for length, degree, least in _SCALES:
        if 2 * (length * scale + _SKIP_PX) > ring.length / 2:
            continue
        seen = evidence(ring, everywhere, length * scale, degree, _SKIP_PX * scale)
        passed = _passing(seen, length * scale, degree, least * scale, tolerance, scale)
        said = np.zeros(size)
        sure = np.where(np.abs(passed.turn) >= np.radians(_SURE * scale), 2.0, 1.0)
        for shift in (-1, 0, 1):
            near = (passed.index + shift) % size
            said[near] = np.maximum(said[near], sure)
        votes += said
        found.append(passed)
    if not found:
        return Corners(np.empty(0, dtype=np.intp), np.empty(0, dtype=np.complex128), np.empty(0))
    index = np.concatenate([e.index for e in found])
    cost = np.concatenate([e.offset + 2 * e.residual for e in found]) - 0.1 * votes[index]
    agreed = votes[index] >= 2
    chosen = np.flatnonzero(agreed)
    apart = _APART_PX * scale / ring.step
    chosen = chosen[_spread_out(index[chosen], cost[chosen], size, apart)]
    tip = np.concatenate([e.meet for e in found])[chosen]
    turn = np.concatenate([e.turn for e in found])[chosen]
    return Corners(index[chosen], tip, turn)


def _passing(
    seen: Evidence, length: float, degree: int, least: float, tolerance: float, scale: float
) -> Evidence:
    turn = np.abs(seen.turn)
    allowed = scale * (0.28 + 0.40 * np.minimum(np.tan(np.minimum(turn, 3.1) / 2), 6.0))
    if degree == 1:
        reach = _SKIP_PX * scale + length / 2
        allowed = np.minimum(allowed, 0.6 * reach * np.tan(turn / 4))
    keep = (
        (turn >= np.radians(least))
        & (seen.residual <= 0.5 * tolerance)
        & (seen.gap <= allowed)
        & (seen.offset <= 0.7 * scale)
    )
    return Evidence(*(getattr(seen, name)[keep] for name in Evidence.__slots__))


def _spread_out(
    index: NDArray[np.intp], cost: FloatArray, size: int, apart: float
) -> NDArray[np.intp]:
    """Return which of `index`, in ring order, are cheapest and not nearer than `apart`."""
    free = np.ones(size, dtype=np.bool_)
    reach = np.arange(-int(apart), int(apart) + 1)
    chosen = []
    for row in np.lexsort((index, cost)).tolist():
        k = int(index[row])
        if free[k]:
            chosen.append((k, row))
            free[(k + reach) % size] = False
    return np.array([row for _, row in sorted(chosen)], dtype=np.intp)
