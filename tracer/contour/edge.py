"""From coverage to where its edges are and how well that is known."""

from tracer.contour.enlarged import reduced
from tracer.contour.extract import extract_rings
from tracer.contour.noise import at_size, edge_noise, noise_with_waves
from tracer.contour.refine import refine_rings
from tracer.contour.tips import drawn_out
from tracer.model import Coverage, Edge, EdgeNoise, Points

_MISSING_PER_SIGMA = {Edge.SHARP: 0.2, Edge.SOFT: 0.2, Edge.RINGING: 0.5}
"""Share of the spread of the edge by which the pixels about a sharp tip may be off. By trial: at
tips of drawn icons they are off by .005 in 8 bits, .016 where a renderer counts quarters of a pixel
and .04 in JPEG of quality 60; at ends half a pixel wide by .005 to .017. None on staircases."""


def trace_edges(coverage: Coverage) -> tuple[tuple[Points, ...], EdgeNoise]:
    """Return the refined rings of a coverage, none crossing or touching, and their noise.

    Rings that come out more wavy than their noise accounts for are refined once more, with the
    noise that the waves tell of: by then more noise has been brought back than evenness took. The
    others, where pixels hold the area covered, are drawn out to the tips that are finer than these.
    The fit tolerance is that for the size of the drawing in pixels.
    """
    rings, noise = _traced(coverage)
    return rings, at_size(noise, rings, coverage.pixel_size)


def _traced(coverage: Coverage) -> tuple[tuple[Points, ...], EdgeNoise]:
    level = extract_rings(coverage)
    noise = edge_noise(coverage, level)
    rings = refine_rings(level, coverage, noise)
    wavy = noise_with_waves(noise, rings, coverage)
    if wavy != noise:
        return refine_rings(level, coverage, wavy), wavy
    if noise.kind not in _MISSING_PER_SIGMA:
        return rings, noise
    small, wide = reduced(coverage)
    most = _MISSING_PER_SIGMA[noise.kind] * noise.sigma_px / wide
    drawn = drawn_out(tuple(ring / wide for ring in rings), small, most)
    return tuple(ring * wide for ring in drawn), noise
