"""Small bitmaps that were enlarged without smoothing: their true pixels are found."""

import math

import numpy as np
from numpy.typing import NDArray

from tracer.raster.pixels import Samples
from tracer.raster.scalar import FloatImage

_LARGEST = 64
_EVIDENCE = 12


def true_pixel(samples: Samples) -> int:
    """Return how many pixels wide a true pixel is, 1 where the picture is at its own size.

    In a picture enlarged n times by repeating pixels, values change only at multiples of n, both
    across and down, and in a drawing of curves they change at nearly every one of them. A drawing
    of a few bars that lie on even coordinates by chance changes at few; it is left alone.
    """
    across = _changes(samples, axis=1)
    down = _changes(samples, axis=0)
    if len(across) < _EVIDENCE or len(down) < _EVIDENCE:
        return 1
    factor = int(np.gcd.reduce(np.concatenate([across, down])))
    if not 2 <= factor <= _LARGEST or any(n % factor for n in samples.shape[:2]):
        return 1
    for places in (across, down):
        possible = int(places[-1] - places[0]) // factor + 1
        if len(places) < 0.6 * possible:
            return 1
    return factor


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
