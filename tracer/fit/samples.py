"""Rings to evenly spaced samples, and the one-sided and centred averages taken over them.

Everything of the fit works in artwork pixels, as complex numbers, near the origin.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

from tracer.curves.segments import ComplexArray, FloatArray

STEP = 0.7
"""Spacing of the even samples in pixels: that of the vertices of an iso-line, on average."""

_FEWEST = 32
"""A ring gets at least this many even samples, however small it is."""


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """One closed ring, its vertices as they came and evenly resampled.

    Parameters
    ----------
    vertices
        (N,), no two neighbours equal, metal on the left, the last joins the first.
    along
        (N,), arc length of each vertex from the first.
    weights
        (N,), length of ring that each vertex stands for.
    even
        (M,), the ring resampled at `step`, beginning with the first vertex.
    step
        Arc length between even samples.
    """

    vertices: ComplexArray
    along: FloatArray
    weights: FloatArray
    even: ComplexArray
    step: float

    @property
    def length(self) -> float:
        """Length of the ring."""
        return self.step * len(self.even)


def ring_of(points: ComplexArray, step: float = STEP) -> Ring | None:
    """Return the ring through `points` (closed, the last not repeated), None where there is none.

    Long edges get vertices in between, so that a straight stretch weighs as much as its length;
    an isolated vertex that repeats its neighbour is dropped.
    """
    points = points[np.abs(points - np.roll(points, 1)) > 1e-9]
    if len(points) < 3:
        return None
    edges = np.roll(points, -1) - points
    lengths = np.abs(edges)
    pieces = np.maximum(1, np.ceil(lengths / (1.5 * step) - 1e-9)).astype(np.intp)
    owner = np.repeat(np.arange(len(points)), pieces)
    first = np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = (np.arange(len(owner)) - first) / pieces[owner]
    vertices = points[owner] + share * edges[owner]
    gaps = lengths[owner] / pieces[owner]
    along = np.cumsum(gaps) - gaps
    total = float(lengths.sum())
    count = max(_FEWEST, round(total / step))
    s = np.arange(count) * (total / count)
    even = np.interp(s, along, vertices.real, period=total) + 1j * np.interp(
        s, along, vertices.imag, period=total
    )
    return Ring(vertices, along, (gaps + np.roll(gaps, 1)) / 2, even, total / count)


@cache
def line_weights(count: int, first: int) -> tuple[FloatArray, FloatArray]:
    """Return weights over samples first, first + 1, ... (`count` of them) for a straight fit.

    The first row gives the value at sample 0, the second the slope per sample (least squares).
    """
    m = first + np.arange(count)
    spread = m - m.mean()
    slope = spread / np.dot(spread, spread)
    return 1 / count - slope * m.mean(), slope


@cache
def parabola_weights(count: int, first: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return weights for value, slope and second derivative at sample 0 of a parabola (LSQ)."""
    m = (first + np.arange(count)).astype(np.float64)
    inverse = np.linalg.pinv(np.column_stack([np.ones(count), m, m * m / 2]))
    return inverse[0], inverse[1], inverse[2]


@cache
def smoothing_weights(half: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return weights over samples -half..half for value, slope, second derivative in the middle.

    Savitzky and Golay, Anal. Chem. 36 (1964) 1627: a cubic is fitted, so the value is free of bias
    up to the third order.
    """
    m = np.arange(-half, half + 1).astype(np.float64)
    columns = [np.ones_like(m), m, m * m / 2]
    if half > 1:
        columns.append(m**3 / 6)
    inverse = np.linalg.pinv(np.column_stack(columns))
    return inverse[0], inverse[1], inverse[2]


def windows(values: ComplexArray, first: int, count: int) -> ComplexArray:
    """Return (N, count): for each sample of a closed ring the samples first.. after it."""
    n = len(values)
    wrapped = values[(np.arange(n + count - 1) + first) % n]
    return np.lib.stride_tricks.sliding_window_view(wrapped, count)
