"""Move contours to where the coverage says that the edge is."""

from tracer.contour.area import Loops, resampled
from tracer.contour.smooth import fair_step
from tracer.model import Coverage, Edge, EdgeNoise, Points
import numpy as np

MARGIN = 2

def refine_rings(
    rings: tuple[Points, ...], coverage: Coverage, noise: EdgeNoise
) -> tuple[Points, ...]:
    """Return the rings moved so that the coverage of each pixel is met."""
    if not rings:
        return ()
    seen = np.pad(coverage.values, MARGIN).astype(float).ravel()
    columns = coverage.values.shape[1] + 2 * MARGIN
    loops = Loops.of(tuple(resampled(r + MARGIN, 0.6)[0] for r in rings))
    for _ in range(3):
        loops = fair_step(loops, seen, columns, np.subtract, fairness=0.1 if noise.kind==Edge.SHARP else 1., corner_px=0.1)
    return tuple(r - MARGIN for r in loops.rings)
