"""Is a tip sharp or blunt? The area that the ring holds there tells.

Pixels round a tip, but a refined ring keeps its area. So what the ring lacks of the triangle in
which both sides run out is what was cut off: ``w^2 / (4 tan(b / 2))`` for a tip of angle b that is
w wide at its end. In drawn wedges of 15 to 60 degrees with ends of 1 to 3 px the width comes
back within 0.05 px; sharp ones, whose last pixels are too faint to be seen, look up to 0.8 px wide.
"""

import math

import numpy as np

from tracer.curves.segments import ComplexArray, FloatArray, Segment
from tracer.fit.chain import foot
from tracer.fit.meet import at
from tracer.fit.samples import Ring

_LEAST_WIDTH_PX = 1.0
"""An end is blunt if it is at least this wide."""

_CLEAN = 0.25
"""Up to this tolerance, px, the area is that of anti-aliased pixels; beyond, it is rougher."""

_WINDOW_PX = 14.0
"""How far from a corner the ring is looked at."""

_SIDE_PX = 1.0
"""The sides are taken up this far beyond where the ring comes to lie on them."""

_SLANTS = np.exp(np.linspace(-1.6, 1.6, 33))
"""Ratios of the lengths cut off both sides that are tried."""

_AS_GOOD = 1.2
"""A level or upright end may fit worse than the best by this factor."""


def tip_ends(
    ring: Ring,
    index: int,
    before: Segment,
    after: Segment,
    meet: tuple[float, float],
    tolerance: float,
) -> tuple[complex, complex] | None:
    """Return where the sides of a tip end: twice where they meet, or both ends of a blunt end.

    None where the ring does not tell: it does not come to lie on both sides nearby.

    Parameters
    ----------
    ring, index
        The ring and the even sample nearest the corner.
    before, after
        The segments that meet when extended.
    meet
        At which parameters they do.
    tolerance
        Fit tolerance, px.
    """
    near = _around(ring, index, before, after, tolerance)
    if near is None:
        return None
    (place, back), (_, ahead) = at(before, meet[0]), at(after, meet[1])
    back, ahead = -back / abs(back), ahead / abs(ahead)
    feet = before.at(foot(before, near[:1], -2.0, 3.0)), after.at(foot(after, near[-1:], -2.0, 3.0))
    outline = np.concatenate([feet[0], near, feet[1], [place]])
    turned = (np.conj(back) * ahead).imag
    lacking = math.copysign(1.0, turned) * _area(outline)
    sine = abs(turned)
    angle = math.atan2(sine, (np.conj(back) * ahead).real)
    rough = max(1.0, (tolerance / _CLEAN) ** 0.5)
    if 4 * max(lacking, 0.0) * math.tan(angle / 2) < (_LEAST_WIDTH_PX * rough) ** 2:
        return place, place
    cut = math.sqrt(2 * lacking / sine)
    if cut > _WINDOW_PX:
        return None
    slants = _SLANTS
    for axis in (1, 1j):  # an end that is level, an end that is upright
        one, other = (back * np.conj(axis)).imag, (ahead * np.conj(axis)).imag
        if one * other > 1e-6 and 0.2 < other / one < 5:
            slants = np.append(slants, other / one)
    p = place + cut * np.sqrt(slants) * back
    q = place + cut / np.sqrt(slants) * ahead
    misfit = _misfit(near, feet[0], p, q, feet[1])
    best = int(np.argmin(misfit))
    for k in range(len(_SLANTS), len(slants)):
        if misfit[k] <= _AS_GOOD * misfit[best]:
            best = k
    return complex(p[best]), complex(q[best])


def ring_ends(
    ring: Ring, index: int, before: Segment, after: Segment, tolerance: float
) -> tuple[complex, complex] | None:
    """Return the places at which the ring leaves one side of a corner and comes to the other.

    None where it does not come to lie on both sides nearby.
    """
    near = _around(ring, index, before, after, tolerance)
    if near is None:
        return None
    return complex(near[0]), complex(near[-1])


def _around(
    ring: Ring, index: int, before: Segment, after: Segment, tolerance: float
) -> ComplexArray | None:
    """Return the vertices of the ring about a corner, from where it leaves one side to the other.

    None where it does not come to lie on both sides nearby.
    """
    middle = int(np.searchsorted(ring.along, index * ring.step))
    reach = min(_WINDOW_PX, ring.length / 4)
    size = len(ring.vertices)
    count = min(size // 2 - 1, math.ceil(reach / (ring.length / size)))
    if count < 3:
        return None
    around = ring.vertices[(middle + np.arange(-count, count + 1)) % size]
    last = _settled(around[count::-1], before, tolerance)
    first = _settled(around[count:], after, tolerance)
    if last is None or first is None:
        return None
    return around[count - last : count + first + 1]


def _settled(outward: ComplexArray, side: Segment, tolerance: float) -> int | None:
    """Return from which vertex on, counted from the tip, the ring lies on a side; None if never."""
    away = np.abs(outward - side.at(foot(side, outward, -2.0, 3.0))) <= tolerance
    steps = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(outward)))])
    for k in np.flatnonzero(away).tolist():
        end = int(np.searchsorted(steps, steps[k] + _SIDE_PX))
        if end < len(outward) and away[k : end + 1].all():
            return end
    return None


def _misfit(
    points: ComplexArray, start: ComplexArray, p: ComplexArray, q: ComplexArray, end: ComplexArray
) -> FloatArray:
    """Return (P,) the mean squared distance of the points from each way start, p, q, end."""
    corners = np.stack([np.broadcast_to(start, p.shape), p, q, np.broadcast_to(end, p.shape)])
    least = np.full((len(p), len(points)), np.inf)
    for a, b in zip(corners[:-1, :, None], corners[1:, :, None], strict=True):
        way = b - a
        t = ((points - a) * np.conj(way)).real / np.maximum(np.abs(way) ** 2, 1e-12)
        least = np.minimum(least, np.abs(points - a - np.clip(t, 0.0, 1.0) * way))
    misfit: FloatArray = (least**2).mean(axis=1)
    return misfit


def _area(z: ComplexArray) -> float:
    z = z - z[0]
    return float((np.conj(z) * np.roll(z, -1)).imag.sum()) / 2
