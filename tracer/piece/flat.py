"""Drawings to polygons that keep their area.

A polygon inscribed in a curve is too small by two thirds of its sagitta all along. Here the
vertices on a curve are moved out by just that, so that the area is right to the fourth power of the
step and the polygon lies within two thirds of the sagitta on either side.
"""

import math

import numpy as np
import shapely

from tracer.curves.path import Drawing, Path, flatten
from tracer.curves.regions import as_region
from tracer.curves.segments import ComplexArray, Line, Segment
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


def _smooth_curve(before: Segment, after: Segment) -> bool:
    if isinstance(before, Line) or isinstance(after, Line):
        return False
    turn = np.angle(after.start_tangent / before.end_tangent)
    return abs(float(turn)) < _CORNER_RAD


def _pairs(points: ComplexArray) -> np.ndarray:
    return np.column_stack([points.real, points.imag])
