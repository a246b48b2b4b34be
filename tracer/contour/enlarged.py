"""Small bitmaps that were enlarged: back to their true pixels."""

import numpy as np

from tracer.model import Coverage


def reduced(coverage: Coverage) -> tuple[Coverage, int]:
    """Return the coverage of the true pixels, and how many px wide each is.

    A true pixel takes the value at its middle: of one pixel where it is an odd number wide, the
    mean of four where it is even. Pixels that do not make up a whole true one are left out.
    """
    wide = max(1, round(coverage.pixel_size))
    if wide == 1:
        return coverage, 1
    rows, columns = (size // wide for size in coverage.values.shape)
    whole = coverage.values[: rows * wide, : columns * wide]
    middle = np.array([(wide - 1) // 2, wide // 2])
    blocks = whole.reshape(rows, wide, columns, wide)
    values = blocks[:, middle[:, None], :, middle[None, :]].mean(axis=(0, 1), dtype=np.float32)
    values.setflags(write=False)
    return Coverage(values), wide
