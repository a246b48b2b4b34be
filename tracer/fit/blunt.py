"""Is a tip sharp or blunt? The area that the ring holds there tells.

Pixels round a tip, but a refined ring keeps its area. So what the ring lacks of the triangle in
which both sides run out is what was cut off: ``w^2 / (4 tan(b / 2))`` for a tip of angle b that is
w wide at its end. In drawn wedges of 15 to 60 degrees with ends of 1 to 3 px the width comes
back within 0.05 px; sharp ones, whose last pixels are too faint to be seen, look up to 0.8 px wide.
"""

import math
from dataclasses import dataclass

import numpy as np

from tracer.curves.segments import ComplexArray, FloatArray, Segment
from tracer.fit.chain import foot, tangent
from tracer.fit.meet import at
from tracer.fit.samples import Ring

_LEAST_WIDTH_PX = 1.0
"""An end is blunt if it is at least this wide."""

_CLEAN = 0.25
"""Up to this tolerance, px, the area is that of anti-aliased pixels; beyond, it is rougher."""

_WINDOW_PX = 14.0
"""How far from a corner the ring is looked at."""

_SIDE_PX = (1.0, 5.0)
"""The area is taken up to the first length beyond where the ring comes to lie on a side; how far
off it then lies is averaged up to the second."""

_ALONG = 9
"""Points that stand for the course of a side."""

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
    around = _around(ring, index, before, after, tolerance)
    if around is None:
        return None
    (place, back), (_, ahead) = at(before, meet[0]), at(after, meet[1])
    back, ahead = -back / abs(back), ahead / abs(ahead)
    near = around.points - _shift(around, back, ahead)
    t = foot(before, near[:1], -2.0, 3.0)[0]
    u = foot(after, near[-1:], -2.0, 3.0)[0]
    sides = before.at(np.linspace(t, meet[0], _ALONG)), after.at(np.linspace(meet[1], u, _ALONG))
    turned = (np.conj(back) * ahead).imag
    outline = np.concatenate([near, sides[1][::-1], sides[0][::-1]])
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
    p = place + np.asarray(cut * np.sqrt(slants) * back, np.complex128)
    q = place + np.asarray(cut / np.sqrt(slants) * ahead, np.complex128)
    misfit = _misfit(near, sides[0][0], p, q, sides[1][-1])
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
    around = _around(ring, index, before, after, tolerance)
    if around is None:
        return None
    return complex(around.points[0]), complex(around.points[-1])


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """The vertices of the ring about a corner, and how far it lies left of either side beyond."""

    points: ComplexArray  # from where the ring leaves one side to where it lies on the other
    off_before: float  # px
    off_after: float


def _around(
    ring: Ring, index: int, before: Segment, after: Segment, tolerance: float
) -> _Around | None:
    """Look at the ring about a corner; None where it does not come to lie on both sides nearby."""
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
    return _Around(around[count - last[0] : count + first[0] + 1], last[1], first[1])


def _settled(outward: ComplexArray, side: Segment, tolerance: float) -> tuple[int, float] | None:
    """Return from which vertex on, counted from the tip, the ring lies on a side, and how far left.

    None if it never does.
    """
    t = foot(side, outward, -2.0, 3.0)
    away = outward - side.at(t)
    off = (away * np.conj(tangent(side, t))).imag
    near = np.abs(away) <= tolerance
    steps = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(outward)))])
    for k in np.flatnonzero(near).tolist():
        least, most = np.searchsorted(steps, steps[k] + np.array(_SIDE_PX)).tolist()
        if least < len(outward) and near[k : least + 1].all():
            stray = np.flatnonzero(~near[k:most])
            most = k + int(stray[0]) if len(stray) else most
            return least, float(off[k:most].mean())
    return None


def _shift(around: _Around, back: complex, ahead: complex) -> complex:
    """Return by how much both sides are to be shifted to lie where the ring does.

    Smoothing and regularity move sides by a share of the tolerance, and that times their length
    is area.
    """
    # left of the way in is -i back, left of the way out i ahead
    left = np.array([[back.imag, -back.real], [-ahead.imag, ahead.real]])
    x, y = np.linalg.solve(left, np.array([around.off_before, around.off_after]))
    return complex(x, y)


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
