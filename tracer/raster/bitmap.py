"""Small bitmaps that were enlarged without smoothing: their true pixels are found."""

import math

import numpy as np
from numpy.typing import NDArray

from tracer.raster.pixels import Samples
from tracer.raster.scalar import FloatImage, grey_of

_LARGEST = 64
_FEWEST = 5
_EVIDENCE = 12


def true_pixel(samples: Samples) -> int:
    """Return how many pixels wide a true pixel is, 1 where the picture is at its own size.

    In a picture enlarged n times by repeating pixels, values change only at multiples of n, both
    across and down. So they do in a drawing of bars on even coordinates; what tells them apart is
    the staircase: half-tones in whole blocks, or, in 1 bit, steps of one true pixel. Codes and
    chequers, whose squares touch at corners, are left alone.
    """
    across = _changes(samples, axis=1)
    if np.gcd.reduce(across, initial=0) == 1:
        return 1
    down = _changes(samples, axis=0)
    if len(across) < _FEWEST or len(down) < _FEWEST:
        return 1
    factor = int(np.gcd.reduce(np.concatenate([across, down])))
    if not 2 <= factor <= _LARGEST or any(n % factor for n in samples.shape[:2]):
        return 1
    small = grey_of(samples[::factor, ::factor]).levels.astype(np.float64)
    low, high = float(small.min()), float(small.max())
    small = (small - low) / (high - low)
    between = np.count_nonzero((small > 0.1) & (small < 0.9))
    return factor if between >= _EVIDENCE or _has_stairs(small > 0.5) else 1


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
            if changed.sum() > 8 and math.gcd(*np.flatnonzero(changed).tolist()) == 1:
                break  # the usual picture: told from its first rows
    else:
        for row in range(1, size):
            changed[row] = bool((samples[row] != samples[row - 1]).any())
    return np.flatnonzero(changed)


def smoothed(values: FloatImage, pixel: int) -> FloatImage:
    """Return coverage drawn at true pixels of `pixel` px as a smooth surface of the same size.

    The true pixels are taken back out and interpolated by cubic convolution (Keys, IEEE Trans.
    ASSP 29, 1981), so the half-way line runs where it would run between the true pixels; the
    staircase of the enlarging is gone, the size of the array is kept.
    """
    import cv2  # noqa: PLC0415 - heavy

    rows, columns = values.shape
    small = np.ascontiguousarray(values[pixel // 2 :: pixel, pixel // 2 :: pixel])
    large = np.asarray(cv2.resize(small, (columns, rows), interpolation=cv2.INTER_CUBIC))
    return np.clip(large, 0, 1).astype(np.float32, copy=False)
