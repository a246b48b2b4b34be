"""The cheapest list of lines, arcs and cubics along a span."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import ComplexArray, FloatArray
from tracer.fit.arc import fit_circles, sweeps
from tracer.fit.cubic import fit_cubics, well_formed
from tracer.fit.line import fit_lines
from tracer.fit.samples import smoothing_weights

LINE, ARC, CUBIC = 0, 1, 2
_COST = (1.0, 1.1, 1.4)
_MISFIT = 0.4
_UNFIT = 1000.0
"""Cost of a piece that does not fit, for each sample that it spans."""
_SAMPLES = 20
_TRIM_PX = 1.5
_REACH = 22


@dataclass(frozen=True, slots=True)
class Piece:
    """One segment as chosen, before its neighbours are heard."""

    first: int  # sample where it starts
    last: int  # sample where it ends
    kind: int
    sweep: float = 0.0  # arc
    control1: complex = 0j  # cubic
    control2: complex = 0j


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Fits between pairs of break candidates (all arrays (P,))."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    kind: NDArray[np.intp]
    cost: FloatArray
    sweep: FloatArray
    control1: ComplexArray
    control2: ComplexArray


def smoothed(span: ComplexArray, half: int, *, closed: bool) -> ComplexArray:
    """Return the span averaged over 2 half + 1 samples without bias to the third order."""
    if half < 1 or len(span) <= 2 * half + 1:
        return span
    weights = smoothing_weights(half)[0]
    return np.convolve(_extended(span, half, closed=closed), weights[::-1], mode="valid")


def _extended(span: ComplexArray, half: int, *, closed: bool) -> ComplexArray:
    if closed:
        return np.concatenate([span[-half:], span, span[:half]])
    head = 2 * span[0] - span[half:0:-1]
    tail = 2 * span[-1] - span[-2 : -half - 2 : -1]
    return np.concatenate([head, span, tail])


def curvature(span: ComplexArray, half: int, *, closed: bool) -> FloatArray:
    """Return the signed curvature in 1/px at each sample, averaged over 2 half + 1 samples."""
    half = min(half, (len(span) - 1) // 2)
    if half < 1:
        return np.zeros(len(span))
    wide = _extended(span, half, closed=closed)
    _, first, second = smoothing_weights(half)
    d1 = np.convolve(wide, first[::-1], mode="valid")
    d2 = np.convolve(wide, second[::-1], mode="valid")
    speed = np.maximum(np.abs(d1), 1e-9)
    bend: FloatArray = (np.conj(d1) * d2).imag / speed**3
    return bend


def break_candidates(
    span: ComplexArray, step: float, rough: float, *, closed: bool
) -> NDArray[np.intp]:
    """Return samples where a segment may end: where the curvature jumps, and in between.

    In between they lie the closer the more the span bends: about one each 35 degrees, or where the
    chord would be off by a pixel.
    """
    n = len(span)
    near = max(2, round(3 * rough))
    fine = curvature(span, near, closed=closed)
    wide = curvature(span, near * 3, closed=closed)
    density = np.sqrt(np.abs(wide) / 8) + np.minimum(np.abs(fine), 0.5) / 0.6
    counted = np.cumsum(density) * step
    even = np.flatnonzero(np.diff(np.floor(counted - counted[0] + 0.5)) > 0)
    apart = max(1, round(1.5 * rough))
    peaks = _peaks(fine, near, 0.012 / rough + 0.004, closed=closed)
    shallow = _peaks(wide, 3 * near, 0.003, closed=closed)
    peaks = np.concatenate([peaks, _clear_of(shallow, peaks, near)])
    kept = _clear_of(even, peaks, apart)
    inner = np.unique(np.concatenate([kept, peaks]))
    if closed:
        return inner if len(inner) else np.array([0])
    inner = inner[(inner > apart) & (inner < n - 1 - apart)]
    return np.concatenate([[0], inner, [n - 1]])


def _clear_of(places: NDArray[np.intp], taken: NDArray[np.intp], apart: int) -> NDArray[np.intp]:
    """Return those of `places` that lie further than `apart` from all that is `taken`."""
    clear: NDArray[np.intp] = places[(np.abs(places[:, None] - taken[None, :]) > apart).all(axis=1)]
    return clear


def _peaks(curved: FloatArray, half: int, least: float, *, closed: bool) -> NDArray[np.intp]:
    """Return where the curvature jumps most within `half` samples, by at least `least` in 1/px."""
    if len(curved) <= 2 * half:
        return np.empty(0, dtype=np.intp)
    size = np.abs(_jumps(curved, half, closed=closed))
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(size, half, mode="wrap" if closed else "constant"), 2 * half + 1
    ).max(axis=1)
    found: NDArray[np.intp] = np.flatnonzero((size >= around) & (size > least))
    return found


def _jumps(values: FloatArray, half: int, *, closed: bool) -> FloatArray:
    """Return the mean of the `half` values after each sample less that of those before it."""
    padded = np.pad(values, half, mode="wrap" if closed else "edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    at = np.arange(len(values)) + half
    after = total[at + half + 1] - total[at + 1]
    before = total[at] - total[at - half]
    jump: FloatArray = (after - before) / half
    return jump


def is_straight(span: ComplexArray, step: float, tolerance: float) -> bool:
    """Tell whether one line is the cheapest of all that `choose` could return for an open span."""
    ends = np.array([0]), np.array([len(span) - 1])
    at = _sampled(ends[0], ends[1], step)
    _, _, off = fit_lines(span[at])
    return bool(_MISFIT * (np.abs(off).max() / tolerance) ** 2 < _COST[ARC] - _COST[LINE])


def _sampled(first: NDArray[np.intp], last: NDArray[np.intp], step: float) -> NDArray[np.intp]:
    """Return (P, samples) where pieces are looked at: evenly, but not right at their ends."""
    u = np.linspace(0.0, 1.0, _SAMPLES)
    trim = np.minimum(_TRIM_PX / step, 0.2 * (last - first))[:, None]
    inner = first[:, None] + trim + u * ((last - first)[:, None] - 2 * trim)
    at: NDArray[np.intp] = np.rint(inner).astype(np.intp)
    return at


def price(
    span: ComplexArray,
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    step: float,
    tolerance: FloatArray,
) -> Candidates:
    """Fit every kind between samples `first` and `last` and return the cheapest that fits each."""
    count = len(first)
    u = np.linspace(0.0, 1.0, _SAMPLES)
    at = _sampled(first, last, step)
    points, allowed = span[at], tolerance[at]
    kind = np.full(count, CUBIC, dtype=np.intp)
    cost = _UNFIT * (last - first).astype(np.float64)
    sweep = np.zeros(count)
    third = (span[last] - span[first]) / 3  # a handle of no length would have no direction
    control1, control2 = span[first] + third, span[last] - third

    _, _, off = fit_lines(points)
    misfit = (np.abs(off) / allowed).max(axis=1)
    fits = misfit <= 1
    kind[fits] = LINE
    cost[fits] = _COST[LINE] + _MISFIT * misfit[fits] ** 2

    todo = np.flatnonzero(cost > _COST[ARC])
    if len(todo):
        a, b = first[todo], last[todo]
        centre, radius, off = fit_circles(points[todo])
        misfit = (np.abs(off) / allowed[todo]).max(axis=1)
        with np.errstate(invalid="ignore"):
            turned = sweeps(span[a], span[(a + b) // 2], span[b], centre)
        fits = (misfit <= 1) & (np.abs(turned) < 6.0) & (np.abs(turned) > 0.05) & (radius < 5000)
        dear = _COST[ARC] + _MISFIT * misfit**2
        better = fits & (dear < cost[todo])
        won = todo[better]
        kind[won], cost[won], sweep[won] = ARC, dear[better], turned[better]

    todo = np.flatnonzero(cost > _COST[CUBIC])
    if len(todo):
        a, b = first[todo], last[todo]
        at = np.rint(a[:, None] + u * (b - a)[:, None]).astype(np.intp)
        c1, c2, off = fit_cubics(span[at])
        misfit = (np.abs(off) / tolerance[at]).max(axis=1)
        good = (misfit <= 1) & well_formed(span[a], c1, c2, span[b])
        dear = _COST[CUBIC] + _MISFIT * misfit**2
        better = good & (dear < cost[todo])
        won = todo[better]
        kind[won], cost[won] = CUBIC, dear[better]
        control1[won], control2[won] = c1[better], c2[better]
    return Candidates(first, last, kind, cost, sweep, control1, control2)


def cheapest(stops: int, pairs: list[tuple[int, int]], cost: list[float]) -> list[int]:
    """Return the indices of the pairs that lead from stop 0 to the last at the least cost."""
    best = [float("inf")] * stops
    best[0] = 0.0
    came = [-1] * stops
    for k, ((i, j), c) in enumerate(zip(pairs, cost, strict=True)):
        if best[i] + c < best[j]:
            best[j] = best[i] + c
            came[j] = k
    route = []
    at = stops - 1
    while at > 0:
        route.append(came[at])
        at = pairs[came[at]][0]
    return route[::-1]


def choose(
    span: ComplexArray,
    stops: NDArray[np.intp],
    step: float,
    tolerance: FloatArray,
    forced: NDArray[np.intp],
    *,
    closed: bool,
) -> list[Piece]:
    """Return the cheapest pieces along a span, in order.

    In a closed span the first piece may begin anywhere, and the last ends where it begins (its
    `last` counts on past the size of the span).

    Parameters
    ----------
    span
        (N,), smoothed, evenly spaced by `step` px.
    stops
        Samples where pieces may end, ascending; in an open span from 0 to N - 1.
    tolerance
        (N,), how far a piece may be from each sample, px.
    forced
        Samples that no piece may pass, other than near its ends.
    """
    if closed:
        return _choose_closed(span, stops, step, tolerance, forced)
    pairs = _pairs(len(stops))
    pairs = pairs[_passable(stops[pairs], forced)]
    priced = price(span, stops[pairs[:, 0]], stops[pairs[:, 1]], step, tolerance)
    route = cheapest(len(stops), pairs.tolist(), priced.cost.tolist())
    return [_piece(priced, k) for k in route]


def _choose_closed(
    span: ComplexArray,
    stops: NDArray[np.intp],
    step: float,
    tolerance: FloatArray,
    forced: NDArray[np.intp],
) -> list[Piece]:
    """Choose on a closed span: from some stop round, then again from a stop of that answer."""
    size, n = len(span), len(stops)
    twice = np.concatenate([span, span, span[:1]])
    around = np.concatenate([stops, stops + size, [stops[0] + 2 * size]])
    pairs = _pairs(2 * n + 1, longest=n)
    pairs = pairs[pairs[:, 0] < n]
    # no piece goes all the way round: a circle has been looked for before
    length = around[pairs[:, 1]] - around[pairs[:, 0]]
    pairs = pairs[length <= 0.95 * size] if n > 1 else pairs
    pairs = pairs[_passable(around[pairs], np.concatenate([forced, forced + size]))]
    allowed = np.concatenate([tolerance, tolerance, tolerance[:1]])
    priced = price(twice, around[pairs[:, 0]], around[pairs[:, 1]], step, allowed)
    by_pair = {(int(i), int(j)): k for k, (i, j) in enumerate(pairs.tolist())}
    start = 0
    best: tuple[list[tuple[int, int]], float] = ([], float("inf"))
    for _ in range(3):
        local, which = [], []
        for j in range(start + 1, start + n + 1):
            for i in range(max(start, j - _REACH, j - n), j):
                key = (i, j) if i < n else (i - n, j - n)
                if key in by_pair:
                    local.append((i - start, j - start))
                    which.append(by_pair[key])
        cost = [float(priced.cost[k]) for k in which]
        route = cheapest(n + 1, local, cost)
        total = math.fsum(cost[k] for k in route)
        if total < best[1] - 1e-9:
            best = ([(local[k][0] + start, which[k]) for k in route], total)
        inner = [local[k][0] for k in route]
        start = (start + inner[len(inner) // 2]) % n
    pieces = []
    for at, k in best[0]:
        piece = _piece(priced, k)
        lap = size if at >= n else 0
        pieces.append(replace(piece, first=piece.first + lap, last=piece.last + lap))
    return pieces


def _passable(ends: NDArray[np.intp], forced: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Return which (P, 2) pieces pass none of the samples `forced`; the shortest always may."""
    passed = (ends[:, :1] + 5 < forced) & (forced < ends[:, 1:] - 5)
    alone = np.zeros(len(ends), dtype=np.bool_)
    last = np.concatenate([ends[1:, 1] != ends[:-1, 1], [True]])
    alone[last] = True  # the pairs are ordered by their end: the last of each is the shortest
    kept: NDArray[np.bool_] = ~passed.any(axis=1) | alone
    return kept


def _pairs(count: int, longest: int = _REACH) -> NDArray[np.intp]:
    """Return all (i, j) with i < j <= i + reach, ordered by j."""
    reach = min(longest, _REACH)
    j, back = np.meshgrid(np.arange(1, count), np.arange(reach, 0, -1), indexing="ij")
    pairs = np.stack([j - back, j], axis=-1).reshape(-1, 2)
    return pairs[pairs[:, 0] >= 0]


def _piece(priced: Candidates, k: int) -> Piece:
    return Piece(
        int(priced.first[k]),
        int(priced.last[k]),
        int(priced.kind[k]),
        float(priced.sweep[k]),
        complex(priced.control1[k]),
        complex(priced.control2[k]),
    )
