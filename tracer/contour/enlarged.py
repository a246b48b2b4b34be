"""Small bitmaps that were enlarged: back to their true pixels."""

import numpy as np

from tracer.model import Coverage


def reduced(coverage: Coverage) -> tuple[Coverage, float]:
    """Return the coverage of the true pixels, and how many px wide each is, whole or not.

    A true pixel takes the value at its middle. Pixels that do not make up a whole true one are
    left out.
    """
    wide = max(1.0, coverage.pixel_size)
    if wide == 1:
        return coverage, 1
    values = coverage.values
    for axis in (0, 1):
        count = int(values.shape[axis] / wide + 0.5)
        values = values.take(((np.arange(count) + 0.5) * wide).astype(np.intp), axis)
    values.setflags(write=False)
    return Coverage(values, by_colour=coverage.by_colour), wide
