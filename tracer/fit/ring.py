"""One ring to one closed path."""

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.path import Path, polyline_path
from tracer.curves.segments import Arc, ComplexArray, Cubic, Line, Segment
from tracer.fit.arc import fit_circles
from tracer.fit.chain import Chain, deviations, fit_chain, foot, joint_angles
from tracer.fit.choose import (
    ARC,
    LINE,
    Piece,
    choose,
    smoothed,
)
from tracer.fit.corners import Corners, corners
from tracer.fit.meet import cut, meeting
from tracer.fit.samples import Ring, ring_of
from tracer.fit.spans import Span, breaks_of, cut_spans, rounded_reach, whole_span

_TRIES = ((0.6, 1.0), (0.5, 2.0), (0.35, 3.0))
"""Shares of the tolerance at which segments are chosen, until the fitted span stays within it."""

_BENT = math.radians(35)
"""Pieces that disagree by more than this meet in a corner that was not seen before."""


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
    return Path(joined(chains, found, rough))


def whole_circle(ring: Ring, tolerance: float) -> Path | None:
    """Return the ring as one circle of two arcs, if it is one."""
    centre, radius, off = fit_circles(ring.vertices[None, :])
    if not np.abs(off).max() <= tolerance or not radius[0] < ring.length:
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
    if polygon.is_empty or not polygon.is_valid:
        return polyline_path(points.tolist())
    corners_ = np.asarray(polygon.exterior.coords)[:-1]
    return polyline_path((corners_[:, 0] + 1j * corners_[:, 1]).tolist())


def fit_span(span: Span, step: float, tolerance: float, rough: float) -> Chain:
    """Return the cheapest chain that stays within `tolerance` of the points of a span.

    What no curve follows is followed by straight lines.
    """
    best: tuple[float, Chain, NDArray[np.intp], Span] | None = None
    for share, finer in _TRIES:
        tried = _attempt(span, step, tolerance * share, rough, finer)
        if tried[0] <= tolerance:
            return tried[1]
        if best is None or tried[0] < best[0]:
            best = tried
    assert best is not None
    _, chain, breaks, span = best
    return _with_lines(chain, span.points, breaks, tolerance)


def _with_lines(
    chain: Chain, points: ComplexArray, breaks: NDArray[np.intp], tolerance: float
) -> Chain:
    """Return the chain with each segment that strays replaced by lines within the tolerance."""
    n = len(chain.segments)
    segments: list[Segment] = []
    smooth: list[bool] = []
    for k, segment in enumerate(chain.segments):
        own = points[breaks[k] : breaks[k + 1]]
        off = np.abs(own - segment.at(foot(segment, own))) if len(own) else np.zeros(1)
        lines: list[Segment] = [segment]
        if not off.max() <= tolerance:
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
    return [Line(p, q) for p, q in zip(w[:-1], w[1:], strict=True) if p != q]


def _attempt(
    span: Span, step: float, tolerance: float, rough: float, finer: float
) -> tuple[float, Chain, NDArray[np.intp], Span]:
    """Return (largest distance, chain, breaks, the span as begun)."""
    even = smoothed(span.even, max(1, round(2 * rough)), closed=span.closed)
    pieces = choose(even, step, tolerance, rough, closed=span.closed, finer=finer)
    if span.closed:
        shift = pieces[0].first
        even, span = _turned(even, span, shift)
        pieces = [
            Piece(p.first - shift, p.last - shift, p.kind, p.sweep, p.control1, p.control2)
            for p in pieces
        ]
    chain = _chain(even, pieces, closed=span.closed)
    stops = np.array([p.first for p in pieces] + [pieces[-1].last], dtype=np.intp)
    chain, breaks = fit_chain(chain, span.points, span.weights, breaks_of(span, stops))
    off = float(np.abs(deviations(chain, span.points, breaks)).max())
    turns = np.abs(joint_angles(chain))
    kinked = any(s and t > 0.01 for s, t in zip(chain.smooth, turns, strict=True))
    if kinked or not math.isfinite(off):
        off = math.inf
    return off, chain, breaks, span


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


def _chain(even: ComplexArray, pieces: list[Piece], *, closed: bool) -> Chain:
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
        bool(bent[k] <= _BENT) and not (straight[k] and straight[(k + 1) % n])
        for k in range(len(chain.smooth))
    )
    return Chain(chain.segments, smooth, closed)


def joined(chains: list[Chain], found: Corners, rough: float) -> tuple[Segment, ...]:
    """Return the segments of all chains, each extended or cut to where it meets the next."""
    n = len(chains)
    meets = []
    reach = 2 * rounded_reach(found.turn, rough) + 0.5
    for i in range(n):
        before, after = chains[i - 1].segments[-1], chains[i].segments[0]
        tip = complex(found.tip[i])
        at = meeting(before, after, tip)
        if at is not None:
            place = complex(before.at(np.array([at[0]]))[0])
            if abs(place - tip) > reach[i] * rough:
                at = None
        if at is None:
            meets.append((1.0, 0.0, (before.end + after.start) / 2))
        else:
            meets.append((at[0], at[1], place))
    segments: list[Segment] = []
    for i, chain in enumerate(chains):
        own = list(chain.segments)
        _, first, start = meets[i]
        last, _, end = meets[(i + 1) % n]
        if len(own) == 1:
            own[0] = cut(own[0], first, last, start, end)
        else:
            own[0] = cut(own[0], first, 1.0, start, own[0].end)
            own[-1] = cut(own[-1], 0.0, last, own[-1].start, end)
        segments.extend(own)
    return tuple(segments)


def _area(z: ComplexArray) -> float:
    return float((np.conj(z) * np.roll(z, -1)).imag.sum()) / 2
