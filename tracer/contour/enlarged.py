"""Small bitmaps that were enlarged: back to their true pixels."""

import numpy as np

from tracer.model import Coverage


def reduced(coverage: Coverage) -> tuple[Coverage, float]:
    """Return the coverage of the true pixels, and how many px wide each is, whole or not.

    A true pixel takes the value at its middle, read between pixels by proportion. Pixels that do
    not make up a whole true one are left out.
    """
    wide = max(1.0, coverage.pixel_size)
    if wide == 1:
        return coverage, 1
    values = coverage.values
    for axis in (0, 1):
        middle = (np.arange(int(values.shape[axis] / wide + 0.5)) + 0.5) * wide - 0.5
        before = np.clip(middle.astype(np.intp), 0, values.shape[axis] - 2)
        shape = (-1, 1) if axis == 0 else (1, -1)
        share = (middle - before).astype(np.float32).reshape(shape)
        low, high = values.take(before, axis), values.take(before + 1, axis)
        values = low + share * (high - low)
    values.setflags(write=False)
    return Coverage(values), wide
