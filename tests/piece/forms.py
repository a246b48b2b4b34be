"""Forms with closed volumes, and drawings made by hand."""

import math

import shapely

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.regions import as_region
from tracer.curves.segments import Arc, Line
from tracer.piece.blank import Disc, circle, drawn_blank
from tracer.piece.flat import region_of

DISC = drawn_blank(Disc(50))


def ring(outer: float, inner: float, at: complex = 0j) -> Drawing:
    hole = circle(at, inner)
    turned = Path(tuple(segment.reversed() for segment in reversed(hole.segments)))
    return Drawing((Shape(circle(at, outer), (turned,)),))


def spot(radius: float, at: complex = 0j) -> Drawing:
    return Drawing((Shape(circle(at, radius)),))


def drawing_of(shape: shapely.Geometry) -> Drawing:
    """Return a polygon as a drawing of lines."""

    def path(line: shapely.LinearRing) -> Path:
        return polyline_path(complex(x, y) for x, y in list(line.coords)[:-1])

    return Drawing(
        tuple(
            Shape(path(p.exterior), tuple(path(h) for h in p.interiors))
            for p in as_region(shape).geoms
        )
    )


def box(x0: float, y0: float, x1: float, y1: float) -> Drawing:
    return drawing_of(shapely.box(x0, y0, x1, y1))


def sector(radius: float, angle: float) -> Drawing:
    end = complex(radius * math.cos(angle), radius * math.sin(angle))
    sides = (Line(0j, radius + 0j), Arc(radius + 0j, end, angle), Line(end, 0j))
    return Drawing((Shape(Path(sides)),))


def centroid(drawing: Drawing) -> complex:
    """Return the centroid of the polygons that a plan measures, flattened finely."""
    point = region_of(drawing, 0.0005).centroid
    return complex(point.x, point.y)


def frustum_mm3(r0: float, r1: float, height: float) -> float:
    return math.pi * height / 3 * (r0**2 + r0 * r1 + r1**2)


def rounded_disc_mm3(r: float, height: float, rounding: float) -> float:
    """Volume of a disc whose top edge is a quarter round, by slices (a + sqrt(R^2 - z^2))^2."""
    a = r - rounding
    cap = a**2 * rounding + 2 * a * math.pi * rounding**2 / 4 + 2 / 3 * rounding**3
    return math.pi * (r**2 * (height - rounding) + cap)
