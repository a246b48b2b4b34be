"""Regions from any geometry, always in the same form."""

import numpy as np
import shapely
from numpy.typing import NDArray

Region = shapely.MultiPolygon
"""Valid, in mm, y up: pieces that do not overlap, with their openings as holes."""


def as_region(shape: shapely.Geometry) -> Region:
    """Return the polygons of any geometry as one region in its fixed form.

    Points, lines and polygons without area are dropped; nothing is repaired or joined, so a valid
    geometry gives a valid region. Outer rings run counter-clockwise and holes clockwise. The
    polygons stand in reading order: by the top of their bounds, then by the left side, the bottom
    and the right side; holes in the same order within their polygon.

    >>> as_region(shapely.box(0, 0, 1, 1).union(shapely.Point(5, 5))).wkt
    'MULTIPOLYGON (((1 0, 1 1, 0 1, 0 0, 1 0)))'
    """
    parts = shapely.get_parts(shape)
    while (shapely.get_type_id(parts) > shapely.GeometryType.POLYGON).any():
        parts = shapely.get_parts(parts)
    polygons = parts[
        (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > 0)
    ]
    ordered = polygons[_reading_order(polygons)]
    return shapely.MultiPolygon([_with_ordered_holes(p) for p in shapely.orient_polygons(ordered)])


def _with_ordered_holes(polygon: shapely.Polygon) -> shapely.Polygon:
    if shapely.get_num_interior_rings(polygon) < 2:
        return polygon
    holes = shapely.get_rings(polygon)[1:]
    return shapely.Polygon(polygon.exterior, holes[_reading_order(holes)].tolist())


def _reading_order(shapes: NDArray[np.object_]) -> NDArray[np.intp]:
    left, bottom, right, top = shapely.bounds(shapes).T
    return np.lexsort([right, bottom, left, -top])
