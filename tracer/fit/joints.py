"""Chains joined at the corners between them."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.segments import Arc, ComplexArray, Cubic, Line, Segment
from tracer.fit.blunt import ring_ends, tip_ends
from tracer.fit.chain import Chain, foot
from tracer.fit.corners import Corners, tip_gap
from tracer.fit.cubic import well_formed
from tracer.fit.meet import cut, meeting
from tracer.fit.samples import Ring

LEAST_TURN = math.radians(8)
"""A corner that turns less between the fitted sides was none."""

_BLUNT_FROM = math.radians(105)
"""Only tips that turn more than this can be blunt."""

_BLUNT_OFF = 0.85
"""A tip to which the ring comes nearer than this share of what rounds a sharp one is sharp."""

FURTHEST_TIP_PX = 2.5
"""A path may go on beyond its ring to where two sides meet; further off is no tip but a fault."""

_OFF_CIRCLE_PX = 1.0
"""An arc goes on to a corner this far off its circle: further, it would be another arc."""
_SHIFTED_PX = 0.7
"""A cubic may be shifted this far at a corner where it cannot be extended."""


def joined(
    ring: Ring,
    chains: list[Chain],
    found: Corners,
    tolerance: float,
    *,
    no_tips: NDArray[np.bool_],
) -> tuple[Segment, ...]:
    """Return the segments of all chains, each extended or cut to where it meets the next.

    A tip is blunt where the ring says so, see `tip_ends`: a short line joins its sides. At the
    corners marked `no_tips` sharp ones end blunt as well, where the ring turns back.
    """
    n = len(chains)
    meets = [
        _meet(
            ring,
            chains[i - 1].segments[-1],
            chains[i].segments[0],
            found,
            i,
            tolerance,
            no_tip=bool(no_tips[i]),
        )
        for i in range(n)
    ]
    segments: list[Segment] = []
    for i, chain in enumerate(chains):
        own = list(chain.segments)
        after, before = meets[i], meets[(i + 1) % n]
        if len(own) == 1:
            own[0] = adapted(own[0], after.u, before.t, after.start, before.end)
        else:
            own[0] = adapted(own[0], after.u, 1.0, after.start, own[0].end)
            own[-1] = adapted(own[-1], 0.0, before.t, own[-1].start, before.end)
        segments.extend(own)
        corners_ = (before.end, *before.via, before.start)
        segments += [Line(p, q) for p, q in pairwise(corners_) if abs(q - p) > 1e-9]
    return tuple(segments)


@dataclass(frozen=True, slots=True)
class _Meet:
    """Where one chain ends, at its parameter t, and where the next one starts, at u.

    Where these are apart lines join them, through the places `via`.
    """

    t: float
    u: float
    end: complex
    start: complex
    via: tuple[complex, ...] = ()


def _meet(
    ring: Ring,
    before: Segment,
    after: Segment,
    found: Corners,
    i: int,
    tolerance: float,
    *,
    no_tip: bool,
) -> _Meet:
    index, tip = int(found.index[i]), complex(found.tip[i])
    around = ring.even[(index + np.arange(-8, 9)) % len(ring.even)]
    at = meeting(before, after)
    if at is None:
        places, (t, u) = _near_ends(before, after, tip, 2 * tolerance), (1.0, 0.0)
    else:
        t, u = at
        places = [complex(before.at(np.array([t]))[0])]
    turn = abs(turn_between(before, after))
    if found.drawn[i] and not no_tip:
        drawn = _at_tip(before, after, tip, tolerance)
        if drawn is not None:
            return drawn
    ends: tuple[complex, complex] | None = None
    if at is not None and turn > _BLUNT_FROM:
        ends = tip_ends(ring, index, before, after, (t, u), tolerance)
        if no_tip:
            ends = ring_ends(ring, index, before, after, tolerance)
    offs = [float(np.abs(around - place).min()) for place in places]
    limit = 0.85 * tip_gap(turn, 1.0) + tolerance / 2
    if ends is not None and ends[0] != ends[1] and (no_tip or offs[0] >= _BLUNT_OFF * limit):
        return _short_of(before, after, ends)
    for place, off in zip(places, offs, strict=True):
        near = ends is not None or off <= (FURTHEST_TIP_PX if turn < _BLUNT_FROM else limit)
        if near and _ends_at(before, t, place) and _begins_at(after, u, place):
            return _Meet(t, u, place, place)
    return _along(before, after, around, tolerance)


def _at_tip(before: Segment, after: Segment, tip: complex, tolerance: float) -> _Meet | None:
    """Return both sides ended at the tip itself, None where they do not come as near to it."""
    place = np.array([tip])
    t, u = float(foot(before, place, 0.1, 3.0)[0]), float(foot(after, place, -2.0, 0.9)[0])
    for side, at in ((before, t), (after, u)):
        if abs(side.at(np.array([at]))[0] - tip) > tolerance:
            return None
    if not (_ends_at(before, t, tip) and _begins_at(after, u, tip)):
        return None
    return _Meet(t, u, tip, tip)


def _along(before: Segment, after: Segment, around: ComplexArray, tolerance: float) -> _Meet:
    """Return both sides ended where the ring leaves them, and lines along it between."""
    middle = len(around) // 2
    t, out = _leaves(before, around[middle::-1], tolerance, 0.1, 3.0)
    u, back = _leaves(after, around[middle:], tolerance, -2.0, 0.9)
    end, start = complex(before.at(np.array([t]))[0]), complex(after.at(np.array([u]))[0])
    way = np.concatenate([[end], around[middle - out + 1 : middle + back], [start]])
    line = shapely.LineString(np.column_stack([way.real, way.imag])).simplify(tolerance)
    xy = shapely.get_coordinates(line)[1:-1]
    return _Meet(t, u, end, start, tuple((xy[:, 0] + 1j * xy[:, 1]).tolist()))


def _short_of(before: Segment, after: Segment, ends: tuple[complex, complex]) -> _Meet:
    """Return both sides ended at the places nearest to `ends`."""
    t = foot(before, np.array(ends[:1]), 0.1, 3.0)
    u = foot(after, np.array(ends[1:]), -2.0, 0.9)
    return _Meet(float(t[0]), float(u[0]), complex(before.at(t)[0]), complex(after.at(u)[0]))


def _ends_at(segment: Segment, t: float, place: complex) -> bool:
    """Tell whether a segment cut or extended at t to end at `place` keeps its course."""
    new = cut(segment, 0.0, t, segment.start, place)
    return abs(place - segment.end) < _SHIFTED_PX or _follows(segment, new, t, place)


def _begins_at(segment: Segment, u: float, place: complex) -> bool:
    """Tell whether a segment cut or extended at u to begin at `place` keeps its course."""
    new = cut(segment, u, 1.0, place, segment.end)
    return abs(place - segment.start) < _SHIFTED_PX or _follows(segment, new, u, place)


def _follows(segment: Segment, new: Segment, at: float, place: complex) -> bool:
    match segment:
        case Line():
            return True
        case Arc():
            return abs(abs(place - segment.centre) - segment.radius) <= _OFF_CIRCLE_PX
        case Cubic():  # what is as sound may be another curve
            return sound(new) and abs(place - segment.at(np.array([at]))[0]) < _SHIFTED_PX


def _leaves(
    segment: Segment, samples: ComplexArray, tolerance: float, low: float, high: float
) -> tuple[float, int]:
    """Return which of `samples` is the first that lies on the segment, extended, and where."""
    at = foot(segment, samples, low, high)
    near = np.abs(samples - segment.at(at)) <= tolerance
    first = int(np.argmax(near)) if near.any() else len(samples) - 1
    return float(at[first]), first


def _near_ends(before: Segment, after: Segment, tip: complex, together: float) -> list[complex]:
    """Return where sides that do not meet may be joined, the best place first.

    That is where the tangents at the ends meet, if that is not far off, and the middle of the ends,
    while these are still `together`: the sides of a narrow stroke would lean towards each other all
    along.
    """
    p, d = before.end, before.end_tangent
    q, e = after.start, after.start_tangent
    cross = (d.conjugate() * e).imag
    places = []
    if abs(cross) > 0.02:
        place = p + ((q - p).conjugate() * e).imag / cross * d
        if abs(place - tip) < 4 + abs(q - p):
            places.append(place)
    if abs(p - q) <= together:
        places.append((p + q) / 2)
    return places


def adapted(segment: Segment, first: float, last: float, start: complex, end: complex) -> Segment:
    """Return the segment from `start` to `end`, cut or extended so that it keeps its course.

    Where a cubic would be ill-formed by that, its ends are moved and take their handles along.
    """
    new = cut(segment, first, last, start, end)
    if sound(new) or not isinstance(segment, Cubic):
        return new
    control1 = segment.control1 + start - segment.start
    return Cubic(start, control1, segment.control2 + end - segment.end, end)


def sound(segment: Segment) -> bool:
    """Tell whether a segment is free of loops, cusps and overlong handles."""
    if not isinstance(segment, Cubic):
        return True
    p0, p1, p2, p3 = (
        np.array([z]) for z in (segment.start, segment.control1, segment.control2, segment.end)
    )
    return bool(well_formed(p0, p1, p2, p3)[0])


def turn_between(before: Segment, after: Segment) -> float:
    """Return the angle by which the direction turns from one segment to the next, radians."""
    return float(np.angle(after.start_tangent * before.end_tangent.conjugate()))
