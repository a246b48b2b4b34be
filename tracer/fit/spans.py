"""A ring cut at its corners into spans."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import ComplexArray, FloatArray
from tracer.fit.corners import Corners
from tracer.fit.samples import Ring, line_weights, parabola_weights

_SIDE_SAMPLES = 10
"""A side is extended to its corner from so many samples."""


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """What lies between two corners, or a whole ring without any.

    Parameters
    ----------
    even
        (M,) evenly spaced; an open span begins and ends near the corner points, on its own
        extension.
    points, weights
        (N,), the vertices of the ring that are not rounded off, and the length each stands for.
    place
        (N,), for each vertex its position in `even`, as a fractional index.
    closed
        Whether this is a whole ring.
    """

    even: ComplexArray
    points: ComplexArray
    weights: FloatArray
    place: FloatArray
    closed: bool


def whole_span(ring: Ring) -> Span:
    """Return a ring without corners as one span."""
    return Span(ring.even, ring.vertices, ring.weights, ring.along / ring.step, closed=True)


def cut_spans(ring: Ring, found: Corners) -> list[Span]:
    """Return the spans between the corners, in order, from the first corner on."""
    spans = []
    for i in range(len(found.index)):
        j = (i + 1) % len(found.index)
        first, last = int(found.index[i]), int(found.index[j])
        if last <= first:
            last += len(ring.even)
        ends = (complex(found.tip[i]), complex(found.tip[j]))
        spans.append(
            _open_span(ring, first, last, ends, (float(found.reach[i]), float(found.reach[j])))
        )
    return spans


def _open_span(
    ring: Ring, first: int, last: int, ends: tuple[complex, complex], reach: tuple[float, float]
) -> Span:
    size, total = len(ring.even), ring.length
    inner = ring.even[np.arange(first, last + 1) % size]
    low, high = _clear(inner, ends, reach)
    clear = inner[low:high]
    even = np.concatenate([[_extended(clear, ends[0])], clear, [_extended(clear[::-1], ends[1])]])
    low_s, high_s = (first + low - 0.5) * ring.step, (first + high - 0.5) * ring.step
    along = ring.along
    a = np.searchsorted(along, low_s % total)
    count_to = np.searchsorted(along, high_s % total)
    if high_s % total < low_s % total:
        count_to += len(along)
    chosen = np.arange(a, count_to) % len(along)
    place = ((along[chosen] - low_s) % total) / ring.step + 0.5
    if len(chosen) < 2:
        return Span(
            even,
            even[1:-1],
            np.full(high - low, ring.step),
            np.arange(1.0, high - low + 1),
            closed=False,
        )
    return Span(even, ring.vertices[chosen], ring.weights[chosen], place, closed=False)


def _extended(clear: ComplexArray, tip: complex) -> complex:
    """Return the place nearest the tip on the side `clear`, extended backwards by a parabola."""
    count = min(len(clear), _SIDE_SAMPLES)
    if count < 3:
        return tip
    if count >= 8:
        value, slope, second = (complex(w @ clear[:count]) for w in parabola_weights(count, 0))
    else:
        value, slope = (complex(w @ clear[:count]) for w in line_weights(count, 0))
        second = 0j
    back = ((tip - value) * slope.conjugate()).real / max(abs(slope) ** 2, 1e-12)
    back = min(max(back, -8.0), 0.0)
    return complex(value + back * slope + back * back / 2 * second)


def _clear(
    inner: ComplexArray, ends: tuple[complex, complex], reach: tuple[float, float]
) -> tuple[int, int]:
    """Return the range of samples that are not rounded off; never less than the middle half."""
    n = len(inner)
    quarter = n // 4
    rounded = np.abs(inner - ends[0]) < reach[0]
    low = min(int(np.argmin(rounded)) if not rounded.all() else n, max(1, quarter))
    rounded = np.abs(inner[::-1] - ends[1]) < reach[1]
    high = n - min(int(np.argmin(rounded)) if not rounded.all() else n, max(1, quarter))
    if high <= low:
        return n // 2, n // 2 + 1
    return low, high


def breaks_of(span: Span, stops: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return which points of the span lie between the samples `stops`."""
    breaks = np.searchsorted(span.place, stops.astype(np.float64))
    breaks[0], breaks[-1] = 0, len(span.points)
    return breaks.astype(np.intp)
