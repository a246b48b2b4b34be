"""Regions from any geometry, always in the same form."""

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from tracer.curves.path import Drawing, Path

Region = shapely.MultiPolygon
"""Valid, in mm, y up: pieces that do not overlap, with their openings as holes."""

_GRID_MM = 1e-6
"""Far below what any file holds, far above the rounding of arithmetic."""


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


def flat_region(drawing: Drawing, tolerance: float) -> Region:
    """Return the polygons within `tolerance` of a drawing whose paths do not cross so flattened."""

    def ring(path: Path) -> NDArray[np.float64]:
        points = path.points(tolerance)
        return np.column_stack([points.real, points.imag])

    shapes = [shapely.Polygon(ring(s.outer), [ring(h) for h in s.holes]) for s in drawing.shapes]
    return valid_region(shapely.MultiPolygon(shapes))


def valid_region(shape: shapely.Geometry) -> Region:
    """Return the polygons of any geometry as a region, joined where they overlap."""
    found = as_region(shape)
    if found.is_valid:
        return found
    parts = shapely.make_valid(shapely.get_parts(found))
    return as_region(shapely.union_all(parts))


def changes_between(before: Region, after: Region) -> BaseGeometry:
    """Return where two regions differ, without what is only the rounding of arithmetic.

    A side that is cut anywhere is rounded anew on its whole length, and so lies in the difference
    as a sliver as long as itself.
    """
    differing = shapely.symmetric_difference(before, after)
    core = differing.buffer(-_GRID_MM, join_style="mitre")
    return core.buffer(_GRID_MM, join_style="mitre")


def carried_over(region: Region, before: Region, after: Region, *, within: float) -> Region:
    """Return `region` with the changes that lead from `before` to `after` made to it too.

    Where the result is nearer than `within` to a change it is `after`; so no slivers are left where
    `before` and `region` differ by less. Where they differ by more, as at a corner that is sharp in
    one only, an opening that `after` has filled and a piece that it has not are left out.
    """
    zone = shapely.buffer(changes_between(before, after), within, quad_segs=4)
    parts = shapely.get_parts(region)
    touched = shapely.intersects(parts, zone)
    far = shapely.difference(shapely.MultiPolygon(parts[touched].tolist()), zone)
    near = shapely.intersection(after, zone)
    # both end at the same line, cut at different places: without a grid slits would be left there
    joined = valid_region(shapely.union(far, near, grid_size=_GRID_MM))
    made = [_without_filled(piece, after) for piece in joined.geoms if piece.intersects(after)]
    return as_region(shapely.MultiPolygon([*made, *parts[~touched]]))  # the rest to a bit


def _without_filled(piece: shapely.Polygon, solid: Region) -> shapely.Polygon:
    """Return a piece without the openings that lie within `solid`."""
    openings = [hole for hole in piece.interiors if not solid.contains(shapely.Polygon(hole))]
    return shapely.Polygon(piece.exterior, openings)


def _with_ordered_holes(polygon: shapely.Polygon) -> shapely.Polygon:
    if shapely.get_num_interior_rings(polygon) < 2:
        return polygon
    holes = shapely.get_rings(polygon)[1:]
    return shapely.Polygon(polygon.exterior, holes[_reading_order(holes)].tolist())


def _reading_order(shapes: NDArray[np.object_]) -> NDArray[np.intp]:
    left, bottom, right, top = shapely.bounds(shapes).T
    return np.lexsort([right, bottom, left, -top])
