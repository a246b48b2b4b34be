"""From coverage to where its edges are and how well that is known."""

from tracer.contour.extract import extract_rings
from tracer.contour.noise import edge_noise, noise_with_waves
from tracer.contour.refine import refine_rings
from tracer.model import Coverage, EdgeNoise, Points


def trace_edges(coverage: Coverage) -> tuple[tuple[Points, ...], EdgeNoise]:
    """Return the refined rings of a coverage, as `refine_rings` promises them, and their noise.

    Rings that come out more wavy than their noise accounts for are refined once more, with the
    noise that the waves tell of: by then more noise has been brought back than evenness took.
    """
    level = extract_rings(coverage)
    noise = edge_noise(coverage, level)
    rings = refine_rings(level, coverage, noise)
    wavy = noise_with_waves(noise, rings, coverage)
    if wavy == noise:
        return rings, noise
    return refine_rings(level, coverage, wavy), wavy
