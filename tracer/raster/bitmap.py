"""Small bitmaps that were enlarged without smoothing: their true pixels are found."""

import math

import numpy as np
from numpy.typing import NDArray

from tracer.raster.pixels import Samples
from tracer.raster.scalar import FloatImage, grey_of

_LARGEST = 64
_FEWEST = 5
_EVIDENCE = 12
_SURE_BITS = 40
"""A place of change fits a factor f by chance once in f times; this many bits are no chance."""


def true_pixel(samples: Samples) -> float:
    """Return how many pixels wide a true pixel is, 1 where the picture is at its own size.

    In a picture enlarged n times by repeating pixels, values change only where one true pixel ends
    and the next begins, both across and down; n is 2 or more and need not be whole. So they do in
    a drawing of bars on even coordinates; what tells them apart is the staircase: half-tones in
    whole blocks, or, in 1 bit, steps of one true pixel. Codes and chequers, whose squares touch at
    corners, are left alone.
    """
    rows, columns = samples.shape[:2]
    across = _changes(samples, axis=1)
    if len(across) < _FEWEST or np.diff(across).min() < 2:
        return 1
    down = _changes(samples, axis=0)
    if len(down) < _FEWEST or np.diff(down).min() < 2:
        return 1
    factor = _whole_factor(across, down, rows, columns) or _broken_factor(
        across, down, rows, columns
    )
    if not 2 <= factor <= _LARGEST:
        return 1
    middles = (_middles(rows, factor), _middles(columns, factor))
    small = grey_of(samples[np.ix_(*middles)]).levels.astype(np.float64)
    low, high = float(small.min()), float(small.max())
    if low == high:
        return 1
    small = (small - low) / (high - low)
    between = np.count_nonzero((small > 0.1) & (small < 0.9))
    return factor if between >= _EVIDENCE or _has_stairs(small > 0.5) else 1


def _middles(size: int, factor: float) -> NDArray[np.intp]:
    """Return the pixel in the middle of each true pixel."""
    return ((np.arange(round(size / factor)) + 0.5) * factor).astype(np.intp)


def _whole_factor(
    across: NDArray[np.intp], down: NDArray[np.intp], rows: int, columns: int
) -> float:
    """Return the whole number that all places of change are multiples of, 0 if there is none."""
    factor = int(np.gcd.reduce(np.concatenate([across, down])))
    return 0 if factor < 2 or rows % factor or columns % factor else factor


def _broken_factor(
    across: NDArray[np.intp], down: NDArray[np.intp], rows: int, columns: int
) -> float:
    """Return the factor that explains all places of change, 0 if there is none or it may be chance.

    Pixel x shows the true pixel that its middle, or its left side, falls in: both are in use.
    """
    for middle in (0.5, 0.0):
        one = _fewest_pixels(across, columns, middle)
        two = _fewest_pixels(down, rows, middle)
        if one and two and abs(columns / one - rows / two) * max(one, two) < 1:
            return (columns / one + rows / two) / 2
    return 0


def _fewest_pixels(changes: NDArray[np.intp], size: int, middle: float) -> int:
    """Return the least number of true pixels whose ends explain all places of change, or 0."""
    for count in range(len(changes) + 1, size // 2 + 1):
        factor = size / count
        if len(changes) * math.log2(factor) < _SURE_BITS:
            return 0
        if _ends_at(changes[:32] + middle, factor) and _ends_at(changes + middle, factor):
            return count
    return 0


def _ends_at(places: NDArray[np.floating], factor: float) -> bool:
    """Tell whether each pixel shows another true pixel than the one before; ties go either way."""
    after, before = places / factor + 1e-6, (places - 1) / factor - 1e-6
    return bool((np.floor(after) > np.floor(before)).all())


def _has_stairs(ink: NDArray[np.bool_]) -> bool:
    """Tell 1-bit curves from bars and from chequers, by the corners between four pixels."""
    square = ink[:-1, :-1].astype(int) + ink[1:, :-1] + ink[:-1, 1:] + ink[1:, 1:]
    saddle = (square == 2) & (ink[:-1, :-1] == ink[1:, 1:])
    corner = (square % 2 == 1) | saddle
    steps = np.count_nonzero(corner[1:] & corner[:-1]) + np.count_nonzero(
        corner[:, 1:] & corner[:, :-1]
    )
    return bool(steps >= _EVIDENCE and saddle.sum() <= 0.03 * corner.sum())


def _changes(samples: Samples, axis: int) -> NDArray[np.intp]:
    """Return the positions at which some pixel differs from the one before it."""
    size = samples.shape[axis]
    changed = np.zeros(size, dtype=bool)
    if axis == 1:
        step = max(1, (1 << 20) // max(size, 1))
        for top in range(0, samples.shape[0], step):
            part = samples[top : top + step]
            differs = part[:, 1:] != part[:, :-1]
            changed[1:] |= differs.any(axis=tuple(i for i in range(differs.ndim) if i != 1))
            if (changed[1:] & changed[:-1]).any():
                break  # the usual picture: told from its first rows
    else:
        for row in range(1, size):
            changed[row] = bool((samples[row] != samples[row - 1]).any())
            if changed[row] and changed[row - 1]:
                break
    return np.flatnonzero(changed)


def shrunk(values: FloatImage, pixel: float) -> FloatImage:
    """Return a picture at its true pixels of `pixel` px: the value in the middle of each."""
    return values[np.ix_(*(_middles(size, pixel) for size in values.shape))]


def enlarged(small: FloatImage, shape: tuple[int, ...], pixel: float) -> FloatImage:
    """Return true pixels as large as they came, so that `shrunk` gives them back."""
    shown = (((np.arange(n) + 0.5) / pixel).astype(np.intp) for n in shape)
    rows, columns = (np.minimum(s, n - 1) for s, n in zip(shown, small.shape, strict=True))
    return small[np.ix_(rows, columns)]
