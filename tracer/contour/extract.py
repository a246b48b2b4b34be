"""Coverage to rings: sub-pixel iso-lines."""

import contourpy
import numpy as np

from tracer.model import Coverage, Points


def extract_rings(coverage: Coverage) -> tuple[Points, ...]:
    """Return the closed level-1/2 lines of a coverage.

    Each ring is (N, 2) in pixels, y down, the last point not repeated. Artwork that touches the
    border is closed there. The order of the rings is that of the scan, the same for the same input.
    """
    padded = np.pad(coverage.values, 1)
    lines = contourpy.contour_generator(z=padded, name="serial").lines(0.5)
    return tuple(np.asarray(line, dtype=np.float64)[:-1] - 0.5 for line in lines if len(line) > 3)
