"""Segments that do not follow their points, left to straight lines."""

from itertools import groupby, pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.segments import ComplexArray, Line, Segment
from tracer.fit.chain import Chain
from tracer.fit.joints import sound
from tracer.fit.span_fit import LET_PASS, SpanFit

_FURTHEST_END_PX = 1.5
_LONGER = 1.3
"""A segment ends this near to its first and last point, and is no more than so much longer than
the way through all of them: else it goes where no points are."""


def lost_segments(tried: SpanFit, tolerance: float) -> NDArray[np.bool_]:
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


def with_lines(tried: SpanFit, tolerance: float) -> SpanFit:
    """Return the attempt with lines in the place of what cannot stay, and kinks as corners."""
    lost = lost_segments(tried, tolerance)
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
