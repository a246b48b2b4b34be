"""Drawings to polygons that keep their area, and exact moments of drawings.

A polygon inscribed in a curve is too small by two thirds of its sagitta all along. Here the
vertices on a curve are moved out by just that, so that the area is right to the fourth power of the
step and the polygon lies within two thirds of the sagitta on either side.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely

from tracer.curves.path import Drawing, Path, flatten
from tracer.curves.regions import as_region
from tracer.curves.segments import Arc, ComplexArray, Cubic, Line, Segment
from tracer.model import Region

_CORNER_RAD = math.radians(2)
"""Segments that meet at less than this are taken as one smooth curve."""


def area_true_points(path: Path, sagitta_mm: float) -> ComplexArray:
    """Return the vertices of a polygon with the area of a closed path.

    Vertices inside a curve and between two curves that meet smoothly are moved; corners, the ends
    of lines and where a curve meets a line stay in place.
    """
    pieces, sags, free = [], [], []
    segments = path.segments
    for index, segment in enumerate(segments):
        points = flatten(segment, sagitta_mm)
        ends = np.append(points[1:], segment.end)
        middle = segment.at((np.arange(len(points)) + 0.5) / len(points))
        pieces.append(points)
        sags.append(middle - (points + ends) / 2)
        can_move = np.ones(len(points), dtype=bool)
        can_move[0] = _smooth_curve(segments[index - 1], segment)
        free.append(can_move)
    sag = np.concatenate(sags)
    move = (sag + np.roll(sag, 1)) / 3  # two thirds of the mean of both sides
    return np.concatenate(pieces) + np.where(np.concatenate(free), move, 0)


def region_of(drawing: Drawing, sagitta_mm: float = 0.005, *, inscribed: bool = False) -> Region:
    """Return a drawing as a valid region.

    Area-true, see `area_true_points`; or inscribed, so that the turn from vertex to vertex is even.
    """

    def points(path: Path) -> np.ndarray:
        return _pairs(path.points(sagitta_mm) if inscribed else area_true_points(path, sagitta_mm))

    polygons = [
        shapely.Polygon(
            points(shape.outer),
            [points(hole) for hole in shape.holes],
        )
        for shape in drawing.shapes
    ]
    whole = shapely.union_all(shapely.make_valid(polygons)) if polygons else shapely.MultiPolygon()
    return as_region(whole)


def exact_centroid(drawing: Drawing) -> complex:
    """Return the centroid of the area of a drawing, exact for lines, arcs and cubics.

    Green's theorem: the moments of the area are integrals along the outline,
    ``int x dA = 1/2 int x^2 dy`` and ``int y dA = -1/2 int y^2 dx``.
    """
    return _exact_moment(list(drawing.segments)) / drawing.area


def _exact_moment(segments: Sequence[Segment]) -> complex:
    total = 0j
    nodes, weights = np.polynomial.legendre.leggauss(8)
    t = (nodes + 1) / 2
    for segment in segments:
        for part in _arc_parts(segment):
            points, speed = _with_derivative(part, t)
            # degree 8 at most for cubics: 8 nodes are exact; arcs of 30 degrees to 1e-15
            x = np.dot(weights, points.real**2 * speed.imag) / 4
            y = -np.dot(weights, points.imag**2 * speed.real) / 4
            total += complex(x, y)
    return total


def _arc_parts(segment: Segment) -> list[Segment]:
    if not isinstance(segment, Arc):
        return [segment]
    count = max(1, math.ceil(abs(segment.sweep) / math.radians(30)))
    cuts = segment.at(np.arange(count + 1) / count)
    return [Arc(complex(a), complex(b), segment.sweep / count) for a, b in pairwise(cuts)]


def _with_derivative(segment: Segment, t: np.ndarray) -> tuple[ComplexArray, ComplexArray]:
    match segment:
        case Line(start, end):
            return segment.at(t), np.full(t.shape, end - start)
        case Arc(sweep=sweep):
            points = segment.at(t)
            return points, 1j * sweep * (points - segment.centre)
        case Cubic(start, control1, control2, end):
            s = 1 - t
            speed = 3 * (
                s**2 * (control1 - start)
                + 2 * s * t * (control2 - control1)
                + t**2 * (end - control2)
            )
            return segment.at(t), speed


def _smooth_curve(before: Segment, after: Segment) -> bool:
    if isinstance(before, Line) or isinstance(after, Line):
        return False
    turn = np.angle(after.start_tangent / before.end_tangent)
    return abs(float(turn)) < _CORNER_RAD


def _pairs(points: ComplexArray) -> np.ndarray:
    return np.column_stack([points.real, points.imag])
