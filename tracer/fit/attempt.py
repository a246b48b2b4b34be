"""One span to a chain: choose, fit, look how far off it is, and learn from that."""

import math
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment
from tracer.fit.chain import Chain, Rule, deviations, fit_chain, joint_angles
from tracer.fit.choose import ARC, LINE, Piece, break_candidates, choose, is_straight, smoothed
from tracer.fit.joints import LEAST_TURN, adapted, sound
from tracer.fit.spans import Span, breaks_of

_SHARE = 0.45
"""Segments are chosen on smoothed samples within this share of the tolerance."""
_END_SHARE = 2.0
_END_PX = 8.0
"""At the ends of a span on a staircase that share is so many times as large, over this length."""
_STAIRS_ROUGH = 2.0
_TRIALS = 5
LET_PASS = 1.5
"""Times the tolerance that a span may be off at last, and that stray points may be off."""
STRAY = 0.015
"""Share of the points of a span that may stray."""

_DENSE = 12
"""Where segments are shorter than so many samples at the second attempt, more attempts only cost
time: that is artwork made of noise."""

_FURTHEST_END_PX = 1.5
_LONGER = 1.3
"""A segment ends this near to its first and last point, and is no more than so much longer than
the way through all of them: else it goes where no points are."""

_SHORT_ARC_PX = 4.5
"""An arc shorter than this may be a corner that the pixels have rounded."""

_ROUNDED_SAMPLES = 6
"""A ring may be rounded off this many samples from a corner, where it is found to be."""

_BENT = math.radians(35)
"""Pieces that disagree by more than this meet in a corner that was not seen before."""
_LOOSELY_BENT = math.radians(8)
"""The same where smooth joints have been tried and led astray."""
_KINK = math.radians(0.5)


@dataclass(frozen=True, slots=True, eq=False)
class _Guide:
    """What a failed attempt teaches the next one (samples of the span)."""

    tolerance: FloatArray  # (M,), how far a piece may be from each sample
    stops: NDArray[np.intp]  # where pieces may end
    loose: NDArray[np.intp]  # where a joint may be a corner
    forced: NDArray[np.intp]  # what no piece may pass


@dataclass(frozen=True, slots=True, eq=False)
class SpanFit:
    """A span with the chain fitted to it."""

    chain: Chain
    breaks: NDArray[np.intp]
    span: Span  # as begun
    shift: int  # sample at which a closed span begins
    away: FloatArray  # (N,), distance of each point from the chain
    kinks: list[int]  # segments that are ill-formed or should end smoothly and do not

    def within(self, tolerance: float) -> bool:
        """Tell whether the chain is well-formed and follows all but a few stray points."""
        stray = int((self.away > tolerance).sum())
        return self.worst <= LET_PASS * tolerance and stray <= STRAY * len(self.away)

    def ruled(self, rules: tuple[Rule, ...], tolerance: float) -> "SpanFit | None":
        """Return the span fitted again under more rules; None if it then strays."""
        if len(self.breaks) != len(self.chain.segments) + 1:
            return None
        chain = replace(self.chain, rules=self.chain.rules + rules)
        fit = _fitted(chain, self.span, self.breaks, self.shift, tolerance)
        allowed = max(LET_PASS * tolerance if self.worst > tolerance else tolerance, self.worst)
        return fit if fit.worst <= allowed else None

    def points_of(self, chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Return how many points each of the chosen segments has."""
        return np.diff(self.breaks)[chosen]

    @property
    def followed(self) -> bool:
        """Whether chosen segments follow the span; else it was left to straight lines."""
        return len(self.breaks) > 0

    @property
    def worst(self) -> float:
        """Largest distance of a point, px; inf where the chain is ill-formed."""
        return math.inf if self.kinks else float(self.away.max())


def fit_span(span: Span, step: float, tolerance: float, rough: float) -> SpanFit:
    """Return the cheapest chain that stays within `tolerance` of the points of a span.

    Where an attempt strays, the next one is held tighter, may end pieces in more places, and at
    last may turn a corner. After that `LET_PASS` times the tolerance is let pass: many small
    segments would only follow the noise. What strays further is followed by straight lines.
    """
    even = smoothed(span.even, max(1, round(2 * rough)), closed=span.closed)
    straight = _straight(span, even, step, tolerance)
    if straight is not None:
        return straight
    guide = _Guide(
        _allowed(span, step, tolerance, rough),
        break_candidates(even, step, rough, closed=span.closed),
        np.empty(0, dtype=np.intp),
        np.empty(0, dtype=np.intp),
    )
    best: tuple[int, SpanFit] | None = None
    for trial in range(_TRIALS):
        tried = _attempt(span, even, step, guide, tolerance)
        if tried.within(tolerance):
            sharp = _sharpened(tried, tolerance)
            return sharp if sharp.within(tolerance) else tried
        loosened = _as_cubics(tried, tolerance)
        if loosened.within(tolerance):
            return loosened
        for each in (tried, loosened):
            lost = int(each.points_of(_lost(each, tolerance)).sum())
            if best is None or (lost, each.worst) < (best[0], best[1].worst):
                best = lost, each
        if trial > 0 and len(even) < _DENSE * len(tried.chain.segments):
            break
        guide = _taught(guide, tried, tolerance, again=trial > 0)
        span = _trimmed(span, tried, tolerance)
    assert best is not None
    return _with_lines(best[1], tolerance)


def _allowed(span: Span, step: float, tolerance: float, rough: float) -> FloatArray:
    """Return (M,) how far a piece may be from each sample of a span.

    On a staircase the last step before a corner says little of the way of the side: it ends where
    the pixels do. A piece of its own for it would turn off just there, so more is allowed.
    """
    size = len(span.even)
    allowed = np.full(size, _SHARE * tolerance)
    if not span.closed and rough >= _STAIRS_ROUGH:
        count = min(round(_END_PX / step), size // 4)
        allowed[:count] *= _END_SHARE
        allowed[size - count :] *= _END_SHARE
    return allowed


def _straight(span: Span, even: ComplexArray, step: float, tolerance: float) -> SpanFit | None:
    """Return the span as one line where nothing could be cheaper and it fits."""
    if span.closed or not is_straight(even, step, _SHARE * tolerance):
        return None
    line = Chain((Line(complex(even[0]), complex(even[-1])),), (), closed=False)
    fit = _fitted(line, span, np.array([0, len(span.points)], dtype=np.intp), 0, tolerance)
    return fit if fit.within(tolerance) else None


def _taught(guide: _Guide, tried: SpanFit, tolerance: float, *, again: bool) -> _Guide:
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


def _trimmed(span: Span, tried: SpanFit, tolerance: float) -> Span:
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


def _lost(tried: SpanFit, tolerance: float) -> NDArray[np.bool_]:
    """Return which segments cannot stay: they stray, are ill-formed or go where no points are."""
    chain, points = tried.chain, tried.span.points
    lost = np.zeros(len(chain.segments), dtype=np.bool_)
    for k, segment in enumerate(chain.segments):
        a, b = tried.breaks[k], tried.breaks[k + 1]
        way = np.concatenate([[segment.start], points[a:b], [segment.end]])
        steps = np.abs(np.diff(way))
        stays = sound(segment) and tried.away[a:b].max(initial=0.0) <= LET_PASS * tolerance
        stays = stays and max(steps[0], steps[-1]) <= _FURTHEST_END_PX + tolerance
        lost[k] = not (stays and segment.length <= _LONGER * steps.sum() + tolerance)
    return lost


def _with_lines(tried: SpanFit, tolerance: float) -> SpanFit:
    """Return the attempt with lines in the place of what cannot stay, and kinks as corners."""
    lost = _lost(tried, tolerance)
    if not lost.any() and not tried.kinks:
        return tried
    chain, points, breaks = tried.chain, tried.span.points, tried.breaks
    n = len(lost)
    if lost.all():
        start = complex(points[0] if chain.closed else chain.segments[0].start)
        end = complex(points[0] if chain.closed else chain.segments[-1].end)
        lines = _lines(start, points[chain.closed :], end, 0.9 * tolerance)
        return _unfollowed(lines, (False,) * len(lines), tried)
    first = int(np.argmin(lost)) if chain.closed else 0  # no run of lost ones is cut in two
    segments: list[Segment] = []
    smooth: list[bool] = []
    for lines_, group in groupby(range(first, first + n), key=lambda k: bool(lost[k % n])):
        own = [k % n for k in group]
        if lines_:
            inner = np.concatenate([points[breaks[k] : breaks[k + 1]] for k in own])
            start, end = chain.segments[own[0]].start, chain.segments[own[-1]].end
            lines = _lines(start, inner, end, 0.9 * tolerance)
            segments += lines
            smooth += [False] * len(lines)
        else:
            segments += [chain.segments[k] for k in own]
            smooth += [
                k < len(chain.smooth)
                and chain.smooth[k]
                and k not in tried.kinks
                and not lost[(k + 1) % n]
                for k in own
            ]
    return _unfollowed(segments, tuple(smooth), tried)


def _unfollowed(segments: list[Segment], smooth: tuple[bool, ...], tried: SpanFit) -> SpanFit:
    closed = tried.chain.closed
    chain = Chain(tuple(segments), smooth[: len(segments) - (not closed)], closed)
    return SpanFit(chain, np.empty(0, dtype=np.intp), tried.span, 0, np.zeros(1), [])


def _lines(start: complex, points: ComplexArray, end: complex, tolerance: float) -> list[Segment]:
    z = np.concatenate([[start], points, [end]])
    line = shapely.LineString(np.column_stack([z.real, z.imag])).simplify(tolerance)
    xy = shapely.get_coordinates(line)
    w = (xy[:, 0] + 1j * xy[:, 1]).tolist()
    return [Line(p, q) for p, q in pairwise(w) if p != q]


def _attempt(
    span: Span, even: ComplexArray, step: float, guide: _Guide, tolerance: float
) -> SpanFit:
    pieces = choose(even, guide.stops, step, guide.tolerance, guide.forced, closed=span.closed)
    shift = pieces[0].first if span.closed else 0
    loose = np.isin([p.last % len(even) for p in pieces], guide.loose)
    if span.closed:
        even, span = _turned(even, span, shift)
        pieces = [replace(p, first=p.first - shift, last=p.last - shift) for p in pieces]
    chain = _chain(even, pieces, loose, closed=span.closed)
    stops = np.array([p.first for p in pieces] + [pieces[-1].last], dtype=np.intp)
    return _fitted(chain, span, breaks_of(span, stops), shift, tolerance)


def _fitted(
    chain: Chain, span: Span, breaks: NDArray[np.intp], shift: int, tolerance: float
) -> SpanFit:
    """Return the chain fitted to the points of the span, and how well it follows them."""
    chain, breaks = fit_chain(chain, span.points, span.weights, breaks, tolerance)
    if span.closed:
        moved = int(breaks[0])
        span, breaks = _rolled(span, moved), breaks - moved
    away = np.abs(deviations(chain, span.points, breaks))
    turns = np.abs(joint_angles(chain))
    kinks = [k for k, s in enumerate(chain.smooth) if s and not turns[k] <= _KINK]
    kinks += [k for k, s in enumerate(chain.segments) if not sound(s)]
    return SpanFit(chain, breaks, span, shift, away, kinks)


def _sharpened(tried: SpanFit, tolerance: float) -> SpanFit:
    """Return the attempt with arcs too short to tell from a corner made corners, if that fits.

    An arc of radius r that turns by d is off the corner of its tangents by r (1 / cos(d / 2) - 1).
    """
    segments, smooth = list(tried.chain.segments), list(tried.chain.smooth)
    breaks = tried.breaks.tolist()
    k = 1
    while k < len(segments) - 1:
        arc = segments[k]
        if not isinstance(arc, Arc) or not _like_a_corner(arc, tolerance):
            k += 1
            continue
        corner = arc.start + arc.start_tangent * arc.radius * math.tan(abs(arc.sweep) / 2)
        segments[k - 1] = adapted(segments[k - 1], 0.0, 1.0, segments[k - 1].start, corner)
        segments[k + 1] = adapted(segments[k + 1], 0.0, 1.0, corner, segments[k + 1].end)
        breaks[k] = (breaks[k] + breaks[k + 1]) // 2
        smooth[k - 1] = False
        del segments[k], smooth[k], breaks[k + 1]
    if len(segments) == len(tried.chain.segments):
        return tried
    chain = Chain(tuple(segments), tuple(smooth), tried.chain.closed)
    return _fitted(chain, tried.span, np.array(breaks, dtype=np.intp), tried.shift, tolerance)


def _as_cubics(tried: SpanFit, tolerance: float) -> SpanFit:
    """Return the attempt with straying lines and arcs, and arcs beside them, made cubics.

    Arcs that fit one by one need not fit once their tangents must agree; cubics have the freedom.
    """
    segments = list(tried.chain.segments)
    bounds = zip(tried.breaks[:-1], tried.breaks[1:], strict=True)
    strays = [bool((tried.away[a:b] > tolerance).any()) for a, b in bounds]
    n = len(segments)
    for k in range(n):
        beside = [strays[k], strays[k - 1] if k or tried.chain.closed else False]
        beside.append(strays[(k + 1) % n] if k + 1 < n or tried.chain.closed else False)
        if any(beside) and not (isinstance(segments[k], Line) and not strays[k]):
            segments[k] = as_cubic(segments[k])
    if segments == list(tried.chain.segments):
        return tried
    chain = replace(tried.chain, segments=tuple(segments))
    return _fitted(chain, tried.span, tried.breaks, tried.shift, tolerance)


def as_cubic(segment: Segment) -> Segment:
    """Return a line or an arc of up to 150 degrees as a cubic, others as they are.

    The handles of an arc are ``4/3 tan(sweep / 4)`` radii (L. Riskus, "Approximation of a cubic
    Bezier curve by circular arcs and vice versa", Information Technology and Control 35, 2006).
    """
    match segment:
        case Line():
            third = (segment.end - segment.start) / 3
        case Arc() if abs(segment.sweep) < 2.6:
            handle = segment.radius * 4 / 3 * math.tan(abs(segment.sweep) / 4)
            before, after = segment.start_tangent * handle, segment.end_tangent * handle
            return Cubic(segment.start, segment.start + before, segment.end - after, segment.end)
        case _:
            return segment
    return Cubic(segment.start, segment.start + third, segment.end - third, segment.end)


def _like_a_corner(arc: Arc, tolerance: float) -> bool:
    gap = arc.radius * (1 / math.cos(min(abs(arc.sweep) / 2, 1.2)) - 1)
    turns = LEAST_TURN < abs(arc.sweep) < 1.6
    return turns and arc.length < _SHORT_ARC_PX and gap <= tolerance


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
