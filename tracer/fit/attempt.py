"""One span to a chain: choose, fit, look how far off it is, and learn from that."""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment
from tracer.fit.chain import Chain, joint_angles
from tracer.fit.choose import ARC, LINE, Piece, break_candidates, choose, is_straight, smoothed
from tracer.fit.joints import LEAST_TURN, adapted, sound
from tracer.fit.lost import lost_segments, with_lines
from tracer.fit.span_fit import SpanFit, fitted
from tracer.fit.spans import Span, breaks_of

_SHARE = 0.45
"""Segments are chosen on smoothed samples within this share of the tolerance."""
_END_SHARE = 2.0
_END_PX = 8.0
"""At the ends of a span on a staircase that share is so many times as large, over this length."""
_STAIRS_ROUGH = 2.0
_TRIALS = 5
_DENSE = 12
"""Where segments are shorter than so many samples at the second attempt, more attempts only cost
time: that is artwork made of noise."""

_SHORT_ARC_PX = 4.5
"""An arc shorter than this may be a corner that the pixels have rounded."""

_ROUNDED_SAMPLES = 6
"""A ring may be rounded off this many samples from a corner, where it is found to be."""

_BENT = math.radians(35)
"""Pieces that disagree by more than this meet in a corner that was not seen before."""
_LOOSELY_BENT = math.radians(8)
"""The same where smooth joints have been tried and led astray."""
_NEARLY_SMOOTH = math.radians(1)
"""Joints that turn by less than this when they are let turn are held to be smooth again."""


@dataclass(frozen=True, slots=True, eq=False)
class _Guide:
    """What a failed attempt teaches the next one (samples of the span)."""

    tolerance: FloatArray  # (M,), how far a piece may be from each sample
    stops: NDArray[np.intp]  # where pieces may end
    loose: NDArray[np.intp]  # where a joint may be a corner
    forced: NDArray[np.intp]  # what no piece may pass


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    """A chain as chosen, before it is fitted as a whole: segments fit, joints need not."""

    chain: Chain
    breaks: NDArray[np.intp]
    span: Span
    shift: int  # sample at which a closed span begins

    def fitted(self, tolerance: float) -> SpanFit:
        """Return it fitted to the points of its span."""
        return fitted(self.chain, self.span, self.breaks, self.shift, tolerance)


def fit_span(span: Span, step: float, tolerance: float, rough: float) -> SpanFit:
    """Return the cheapest chain that stays within `tolerance` of the points of a span.

    Where an attempt strays, its joints are let turn a little. If that does not help, the next one
    is held tighter, may end pieces in more places, and at last may turn a corner. After that
    `LET_PASS` times the tolerance is let pass: many small segments would only follow the noise.
    What strays further is followed by straight lines.
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
        begun = _begun(span, even, step, guide)
        tried = begun.fitted(tolerance)
        if tried.within(tolerance):
            sharp = _sharpened(tried, tolerance)
            return sharp if sharp.within(tolerance) else tried
        loosened = _as_cubics(tried, tolerance)
        if loosened.within(tolerance):
            return loosened
        freed = _freed(begun, tried, tolerance)
        if freed.worst <= tolerance:
            return freed
        for each in (tried, loosened):
            lost = int(each.points_of(lost_segments(each, tolerance)).sum())
            if best is None or (lost, each.worst) < (best[0], best[1].worst):
                best = lost, each
        if trial > 0 and len(even) < _DENSE * len(tried.chain.segments):
            break
        guide = _taught(guide, tried, tolerance, again=trial > 0)
        span = _trimmed(span, tried, tolerance)
    assert best is not None
    return with_lines(best[1], tolerance)


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
    fit = fitted(line, span, np.array([0, len(span.points)], dtype=np.intp), 0, tolerance)
    return fit if fit.within(tolerance) else None


def _taught(guide: _Guide, tried: SpanFit, tolerance: float, *, again: bool) -> _Guide:
    """Return the guide changed around each segment's worst place and around each kink.

    What follows its points but is ill-formed bends too far: no piece may pass its middle.
    """
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
    ill = [
        k
        for k, (a, b) in enumerate(pairwise(tried.breaks.tolist()))
        if not sound(tried.chain.segments[k]) and tried.away[a:b].max(initial=0.0) <= tolerance
    ]
    places += [tried.span.place[(tried.breaks[k] + tried.breaks[k + 1] - 1) // 2] for k in ill]
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
    loose = np.union1d(guide.loose, near) if again else guide.loose
    cut = bad if again else bad[len(bad) - len(ill) :]
    inner = cut if closed else cut[(cut > 5) & (cut < size - 6)]
    return _Guide(held, stops, loose, np.union1d(guide.forced, inner))


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


def _begun(span: Span, even: ComplexArray, step: float, guide: _Guide) -> _Begun:
    """Return the cheapest pieces as a chain, before their neighbours are heard."""
    pieces = choose(even, guide.stops, step, guide.tolerance, guide.forced, closed=span.closed)
    shift = pieces[0].first if span.closed else 0
    loose = np.isin([p.last % len(even) for p in pieces], guide.loose)
    if span.closed:
        even, span = _turned(even, span, shift)
        pieces = [replace(p, first=p.first - shift, last=p.last - shift) for p in pieces]
    chain = _chain(even, pieces, loose, closed=span.closed)
    stops = np.array([p.first for p in pieces] + [pieces[-1].last], dtype=np.intp)
    return _Begun(chain, breaks_of(span, stops), span, shift)


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
    return fitted(chain, tried.span, np.array(breaks, dtype=np.intp), tried.shift, tolerance)


def _as_cubics(tried: SpanFit, tolerance: float) -> SpanFit:
    """Return the attempt with straying lines and arcs, and arcs beside them, made cubics.

    Arcs that fit one by one need not fit once their tangents must agree; cubics have the freedom.
    """
    segments = list(tried.chain.segments)
    strays = _strays(tried, tolerance)
    n = len(segments)
    for k in range(n):
        beside = [strays[k], strays[k - 1] if k or tried.chain.closed else False]
        beside.append(strays[(k + 1) % n] if k + 1 < n or tried.chain.closed else False)
        if any(beside) and not (isinstance(segments[k], Line) and not strays[k]):
            segments[k] = as_cubic(segments[k])
    if segments == list(tried.chain.segments):
        return tried
    chain = replace(tried.chain, segments=tuple(segments))
    return fitted(chain, tried.span, tried.breaks, tried.shift, tolerance)


def _freed(begun: _Begun, tried: SpanFit, tolerance: float) -> SpanFit:
    """Return what was begun with the joints of straying segments let turn as the points have it.

    Designers' joints are not all as smooth as they were meant: half a degree bends a side of 400 px
    by more than the tolerance. What then turns by next to nothing is held to be smooth, if it fits.
    """
    strays = _strays(tried, tolerance)
    n = len(strays)
    was = begun.chain.smooth
    smooth = tuple(s and not (strays[k] or strays[(k + 1) % n]) for k, s in enumerate(was))
    if smooth == was:
        return tried
    freed = replace(begun, chain=replace(begun.chain, smooth=smooth)).fitted(tolerance)
    nearly = (np.abs(joint_angles(freed.chain)) < _NEARLY_SMOOTH).tolist()
    held = tuple(s or (w and few) for s, w, few in zip(smooth, was, nearly, strict=True))
    if held == smooth or not freed.within(tolerance):
        return freed
    chain = replace(freed.chain, smooth=held)
    again = fitted(chain, freed.span, freed.breaks, freed.shift, tolerance)
    return again if again.worst <= tolerance else freed


def _strays(tried: SpanFit, tolerance: float) -> list[bool]:
    """Return which segments stray from points of theirs."""
    bounds = zip(tried.breaks[:-1], tried.breaks[1:], strict=True)
    return [bool((tried.away[a:b] > tolerance).any()) for a, b in bounds]


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
