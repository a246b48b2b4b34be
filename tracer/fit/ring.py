"""One ring to one closed path."""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.path import Path, polyline_path
from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment
from tracer.fit.arc import fit_circles
from tracer.fit.chain import Chain, deviations, fit_chain, foot, joint_angles
from tracer.fit.choose import (
    ARC,
    LINE,
    Piece,
    break_candidates,
    choose,
    smoothed,
)
from tracer.fit.corners import Corners, corners, tip_gap
from tracer.fit.cubic import well_formed
from tracer.fit.meet import cut, meeting
from tracer.fit.samples import Ring, ring_of
from tracer.fit.spans import Span, breaks_of, cut_spans, whole_span

_SHARE = 0.6
"""Segments are chosen on smoothed samples within this share of the tolerance."""
_TRIALS = 5
_LET_PASS = 1.5
"""Times the tolerance that a span may be off at last, and that stray points may be off."""
_STRAY = 0.015
"""Share of the points of a span that may stray."""

_SHIFTED_PX = 0.7
"""A cubic may be shifted this far at a corner where it cannot be extended."""

_ROUNDED_SAMPLES = 6
"""A ring may be rounded off this many samples from a corner, where it is found to be."""

_BENT = math.radians(35)
"""Pieces that disagree by more than this meet in a corner that was not seen before."""
_LOOSELY_BENT = math.radians(8)
"""The same where smooth joints have been tried and led astray."""
_KINK = math.radians(0.5)


def fit_ring(points: ComplexArray, tolerance: float) -> Path:
    """Return the path of a closed ring, points in px, metal on the left."""
    ring = ring_of(points)
    if ring is None or ring.length < 8:
        return simple_path(points, tolerance / 2)
    rough = max(1.0, tolerance / 0.1) ** 0.5
    found = corners(ring, tolerance)
    if len(found.index) == 0:
        circle = whole_circle(ring, tolerance)
        if circle is not None:
            return circle
        span = whole_span(ring)
        return Path(fit_span(span, ring.step, tolerance, rough).segments)
    spans = cut_spans(ring, found, rough)
    chains = [fit_span(span, ring.step, tolerance, rough) for span in spans]
    return Path(joined(ring, chains, found, tolerance))


def whole_circle(ring: Ring, tolerance: float) -> Path | None:
    """Return the ring as one circle of two arcs, if it is one."""
    centre, radius, off = fit_circles(ring.vertices[None, :])
    worst = np.abs(off).max()
    if not worst <= _LET_PASS * tolerance or not radius[0] < ring.length:
        return None
    if (np.abs(off) > tolerance).mean() > _STRAY:
        return None
    if off.std() > 0.4 * tolerance:
        return None
    way = 1 if _area(ring.vertices) > 0 else -1
    c, r = complex(centre[0]), float(radius[0])
    return Path((Arc(c + r, c - r, way * math.pi), Arc(c - r, c + r, way * math.pi)))


def simple_path(points: ComplexArray, tolerance: float) -> Path:
    """Return the ring as a polygon within `tolerance`: for rings too small to be curves."""
    xy = np.column_stack([points.real, points.imag])
    polygon = shapely.Polygon(xy).simplify(tolerance)
    if not isinstance(polygon, shapely.Polygon) or polygon.is_empty or not polygon.is_valid:
        return polyline_path(points.tolist())
    corners_ = np.asarray(polygon.exterior.coords)[:-1]
    return polyline_path((corners_[:, 0] + 1j * corners_[:, 1]).tolist())


@dataclass(frozen=True, slots=True, eq=False)
class _Guide:
    """What a failed attempt teaches the next one (samples of the span)."""

    tolerance: FloatArray  # (M,), how far a piece may be from each sample
    stops: NDArray[np.intp]  # where pieces may end
    loose: NDArray[np.intp]  # where a joint may be a corner
    forced: NDArray[np.intp]  # what no piece may pass


@dataclass(frozen=True, slots=True, eq=False)
class _Attempt:
    chain: Chain
    breaks: NDArray[np.intp]
    span: Span  # as begun
    shift: int  # sample at which a closed span begins
    away: FloatArray  # (N,), distance of each point from the chain
    kinks: list[int]  # segments that are ill-formed or should end smoothly and do not

    def within(self, tolerance: float) -> bool:
        """Tell whether the chain is well-formed and follows all but a few stray points."""
        stray = int((self.away > tolerance).sum())
        return self.worst <= _LET_PASS * tolerance and stray <= _STRAY * len(self.away)

    @property
    def worst(self) -> float:
        return math.inf if self.kinks else float(self.away.max())


def fit_span(span: Span, step: float, tolerance: float, rough: float) -> Chain:
    """Return the cheapest chain that stays within `tolerance` of the points of a span.

    Where an attempt strays, the next one is held tighter, may end pieces in more places, and at
    last may turn a corner. After that `_LET_PASS` times the tolerance is let pass: many small
    segments would only follow the noise. What strays further is followed by straight lines.
    """
    even = smoothed(span.even, max(1, round(2 * rough)), closed=span.closed)
    guide = _Guide(
        np.full(len(even), _SHARE * tolerance),
        break_candidates(even, step, rough, closed=span.closed),
        np.empty(0, dtype=np.intp),
        np.empty(0, dtype=np.intp),
    )
    best: _Attempt | None = None
    for trial in range(_TRIALS):
        tried = _attempt(span, even, step, guide)
        if tried.within(tolerance):
            return tried.chain
        if best is None or tried.worst < best.worst:
            best = tried
        guide = _taught(guide, tried, tolerance, again=trial > 0)
        span = _trimmed(span, tried, tolerance)
    assert best is not None
    if math.isinf(best.worst):
        lines = _lines(complex(span.even[0]), span.points, complex(span.even[-1]), 0.9 * tolerance)
        if span.closed:
            lines = _lines(
                complex(span.points[0]), span.points[1:], complex(span.points[0]), 0.9 * tolerance
            )
        return Chain(tuple(lines), (False,) * (len(lines) - (not span.closed)), span.closed)
    return _with_lines(best.chain, best.span.points, best.breaks, tolerance)


def _taught(guide: _Guide, tried: _Attempt, tolerance: float, *, again: bool) -> _Guide:
    """Return the guide changed around each segment's worst place and around each kink."""
    size = len(guide.tolerance)
    closed = tried.span.closed
    places = []
    for a, b in zip(tried.breaks[:-1], tried.breaks[1:], strict=True):
        away = tried.away[a:b]
        if len(away) and not away.max() <= tolerance:
            places.append(tried.span.place[a + int(np.nanargmax(away))])
    n = len(tried.breaks) - 1
    places += [
        tried.span.place[min(tried.breaks[(k + 1) % n], len(tried.away) - 1)] for k in tried.kinks
    ]
    bad = (np.rint(np.array(places)).astype(np.intp) + tried.shift) % size
    near = bad[:, None] + np.arange(-8, 9)
    more = bad[:, None] + np.array([-8, -4, 0, 4, 8])
    if closed:
        near, more = near % size, more % size
    else:
        near, more = np.clip(near, 0, size - 1), np.clip(more, 0, size - 1)
    held = guide.tolerance.copy()
    held[np.unique(near)] *= 0.6
    stops = np.union1d(guide.stops, more)
    if not again:
        return _Guide(held, stops, guide.loose, guide.forced)
    inner = bad if closed else bad[(bad > 5) & (bad < size - 6)]
    return _Guide(held, stops, np.union1d(guide.loose, near), np.union1d(guide.forced, inner))


def _trimmed(span: Span, tried: _Attempt, tolerance: float) -> Span:
    """Return an open span without the points near its ends that stray: they are rounded off."""
    if span.closed or len(span.points) < 12 or len(tried.away) != len(span.points):
        return span
    stray = np.flatnonzero(tried.away > tolerance)
    place, end = span.place, len(span.even) - 1
    reach = min(_ROUNDED_SAMPLES, 0.15 * end)
    front = stray[place[stray] < reach]
    rear = stray[place[stray] > end - reach]
    low = int(front[-1]) + 1 if len(front) else 0
    high = int(rear[0]) if len(rear) else len(span.points)
    if high - low < 4:
        return span
    return replace(
        span,
        points=span.points[low:high],
        weights=span.weights[low:high],
        place=span.place[low:high],
    )


def _with_lines(
    chain: Chain, points: ComplexArray, breaks: NDArray[np.intp], tolerance: float
) -> Chain:
    """Return the chain with each segment that strays replaced by lines within the tolerance."""
    segments: list[Segment] = []
    smooth: list[bool] = []
    for k, segment in enumerate(chain.segments):
        own = points[breaks[k] : breaks[k + 1]]
        off = np.abs(own - segment.at(foot(segment, own))) if len(own) else np.zeros(1)
        lines: list[Segment] = [segment]
        if not off.max() <= _LET_PASS * tolerance:
            lines = _lines(segment.start, own, segment.end, 0.9 * tolerance)
        segments.extend(lines)
        follows = k < len(chain.smooth) and chain.smooth[k]
        smooth.extend([False] * (len(lines) - 1) + [follows and lines == [segment]])
    return Chain(tuple(segments), tuple(smooth[: len(segments) - (not chain.closed)]), chain.closed)


def _lines(start: complex, points: ComplexArray, end: complex, tolerance: float) -> list[Segment]:
    z = np.concatenate([[start], points, [end]])
    line = shapely.LineString(np.column_stack([z.real, z.imag])).simplify(tolerance)
    xy = shapely.get_coordinates(line)
    w = (xy[:, 0] + 1j * xy[:, 1]).tolist()
    return [Line(p, q) for p, q in pairwise(w) if p != q]


def _attempt(span: Span, even: ComplexArray, step: float, guide: _Guide) -> _Attempt:
    pieces = choose(even, guide.stops, step, guide.tolerance, guide.forced, closed=span.closed)
    shift = pieces[0].first if span.closed else 0
    loose = np.isin([p.last % len(even) for p in pieces], guide.loose)
    if span.closed:
        even, span = _turned(even, span, shift)
        pieces = [replace(p, first=p.first - shift, last=p.last - shift) for p in pieces]
    chain = _chain(even, pieces, loose, closed=span.closed)
    stops = np.array([p.first for p in pieces] + [pieces[-1].last], dtype=np.intp)
    chain, breaks = fit_chain(chain, span.points, span.weights, breaks_of(span, stops))
    if span.closed:
        moved = int(breaks[0])
        span, breaks = _rolled(span, moved), breaks - moved
    away = np.abs(deviations(chain, span.points, breaks))
    turns = np.abs(joint_angles(chain))
    kinks = [k for k, s in enumerate(chain.smooth) if s and not turns[k] <= _KINK]
    kinks += [k for k, s in enumerate(chain.segments) if not sound(s)]
    return _Attempt(chain, breaks, span, shift, away, kinks)


def _rolled(span: Span, count: int) -> Span:
    """Return a closed span whose points begin `count` later."""
    return replace(
        span,
        points=np.roll(span.points, -count),
        weights=np.roll(span.weights, -count),
        place=np.roll(span.place, -count),
    )


def _turned(even: ComplexArray, span: Span, shift: int) -> tuple[ComplexArray, Span]:
    """Return a closed span begun at sample `shift`."""
    size = len(even)
    first = int(np.searchsorted(span.place, shift))
    place = np.roll((span.place - shift) % size, -first)
    return np.roll(even, -shift), Span(
        np.roll(span.even, -shift),
        np.roll(span.points, -first),
        np.roll(span.weights, -first),
        place,
        closed=True,
    )


def _chain(
    even: ComplexArray, pieces: list[Piece], loose: NDArray[np.bool_], *, closed: bool
) -> Chain:
    size = len(even)
    segments: list[Segment] = []
    for piece in pieces:
        a, b = complex(even[piece.first % size]), complex(even[piece.last % size])
        if piece.kind == LINE:
            segments.append(Line(a, b))
        elif piece.kind == ARC:
            segments.append(Arc(a, b, piece.sweep))
        else:
            segments.append(Cubic(a, piece.control1, piece.control2, b))
    chain = Chain(tuple(segments), (True,) * (len(segments) - (not closed)), closed)
    bent = np.abs(joint_angles(chain))
    n = len(segments)
    straight = [isinstance(s, Line) for s in segments]
    smooth = tuple(
        bool(bent[k] <= (_LOOSELY_BENT if loose[k] else _BENT))
        and not (straight[k] and straight[(k + 1) % n])
        for k in range(len(chain.smooth))
    )
    return Chain(chain.segments, smooth, closed)


def sound(segment: Segment) -> bool:
    """Tell whether a segment is free of loops, cusps and overlong handles."""
    if not isinstance(segment, Cubic):
        return True
    p0, p1, p2, p3 = (
        np.array([z]) for z in (segment.start, segment.control1, segment.control2, segment.end)
    )
    return bool(well_formed(p0, p1, p2, p3)[0])


def joined(
    ring: Ring, chains: list[Chain], found: Corners, tolerance: float
) -> tuple[Segment, ...]:
    """Return the segments of all chains, each extended or cut to where it meets the next.

    Where the sides would meet far off the ring the tip is blunt: a short line joins them.
    """
    n = len(chains)
    meets = [
        _meet(ring, chains[i - 1].segments[-1], chains[i].segments[0], found, i, tolerance)
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
        if abs(before.end - before.start) > 1e-9:
            segments.append(Line(before.end, before.start))
    return tuple(segments)


@dataclass(frozen=True, slots=True)
class _Meet:
    """Where one chain ends, at its parameter t, and where the next one starts, at u."""

    t: float
    u: float
    end: complex
    start: complex


def _meet(
    ring: Ring, before: Segment, after: Segment, found: Corners, i: int, tolerance: float
) -> _Meet:
    index, tip = int(found.index[i]), complex(found.tip[i])
    around = ring.even[(index + np.arange(-8, 9)) % len(ring.even)]
    at = meeting(before, after)
    if at is None:
        place, t, u = _tangents_meet(before, after, tip), 1.0, 0.0
    else:
        t, u = at
        place = complex(before.at(np.array([t]))[0])
    turn = abs(float(np.angle(after.start_tangent * before.end_tangent.conjugate())))
    rough = min(max(1.0, tolerance / 0.1) ** 0.5, 1.3)
    near = np.abs(around - place).min() <= 1.1 * tip_gap(turn, rough)
    if near and _follows(before, 0.0, t, place) and _follows(after, u, 1.0, place):
        return _Meet(t, u, place, place)
    t = _leaves(before, around[8::-1], tolerance, 0.1, 3.0)
    u = _leaves(after, around[8:], tolerance, -2.0, 0.9)
    return _Meet(t, u, complex(before.at(np.array([t]))[0]), complex(after.at(np.array([u]))[0]))


def _follows(segment: Segment, first: float, last: float, place: complex) -> bool:
    """Tell whether a segment cut or extended to `place` keeps its course, see `adapted`."""
    start, end = (place, segment.end) if first else (segment.start, place)
    if not isinstance(segment, Cubic) or sound(cut(segment, first, last, start, end)):
        return True
    return abs(place - (segment.start if first else segment.end)) < _SHIFTED_PX


def _leaves(
    segment: Segment, samples: ComplexArray, tolerance: float, low: float, high: float
) -> float:
    """Return the parameter at the first of `samples` that lies on the segment, extended."""
    at = foot(segment, samples, low, high)
    near = np.abs(samples - segment.at(at)) <= tolerance
    return float(at[int(np.argmax(near))]) if near.any() else float(at[-1])


def _tangents_meet(before: Segment, after: Segment, tip: complex) -> complex:
    """Return where the tangents at the ends meet; the middle of the ends when that is far off."""
    p, d = before.end, before.end_tangent
    q, e = after.start, after.start_tangent
    cross = (d.conjugate() * e).imag
    if abs(cross) > 0.02:
        place = p + ((q - p).conjugate() * e).imag / cross * d
        if abs(place - tip) < 4 + abs(q - p):
            return place
    return (p + q) / 2


def adapted(segment: Segment, first: float, last: float, start: complex, end: complex) -> Segment:
    """Return the segment from `start` to `end`, cut or extended so that it keeps its course.

    Where a cubic would be ill-formed by that, its ends are moved and take their handles along.
    """
    new = cut(segment, first, last, start, end)
    if sound(new) or not isinstance(segment, Cubic):
        return new
    control1 = segment.control1 + start - segment.start
    return Cubic(start, control1, segment.control2 + end - segment.end, end)


def _area(z: ComplexArray) -> float:
    return float((np.conj(z) * np.roll(z, -1)).imag.sum()) / 2
