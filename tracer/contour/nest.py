"""Rings to a region: which ring is a piece and which an opening in it."""

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.regions import as_region
from tracer.model import Frame, Points, Region

POINTS_AT_ONCE = 256


def nest_rings(rings: tuple[Points, ...], frame: Frame) -> Region:
    """Return the region enclosed an odd number of times by `rings`, in mm, y up, valid.

    Rings that neither cross nor touch keep every vertex, and each becomes the outer ring of a
    piece or an opening in one, whichever way it runs. Others are cut at their crossings and the
    odd faces joined. Rings of fewer than three points or without area enclose nothing.

    Parameters
    ----------
    rings
        Each (N, 2) in px, y down, the last point not repeated.
    frame
        Where the artwork lies in millimetres.

    Returns
    -------
    Region
        In its fixed form, see `as_region`.
    """
    lines = [frame.to_mm(ring) for ring in rings if len(ring) > 2]
    joined = shapely.MultiLineString([shapely.LinearRing(line) for line in lines])
    if not shapely.is_simple(joined):
        return as_region(_odd_faces(joined, lines))
    polygons = np.array([shapely.Polygon(line) for line in lines], dtype=object)
    return as_region(_by_depth(polygons[shapely.area(polygons) > 0]))


def _by_depth(polygons: NDArray[np.object_]) -> shapely.MultiPolygon:
    """Nest rings that do not meet: one that lies in an odd number of others is an opening."""
    if not len(polygons):
        return shapely.MultiPolygon()
    corners = shapely.points([polygon.exterior.coords[0] for polygon in polygons])
    # a corner lies on its own ring, so only the rings about it contain it
    about, inner = shapely.STRtree(corners).query(polygons, predicate="contains_properly")
    depth = np.bincount(inner, minlength=len(polygons))
    # of all rings about an opening the one about it most closely is the deepest
    order = np.lexsort([depth[about], inner])
    about, inner = about[order], inner[order]
    closest = np.append(inner[1:] != inner[:-1], True) if len(inner) else inner.astype(bool)
    holes: dict[int, list[shapely.LinearRing]] = {}
    for outer, hole in zip(about[closest].tolist(), inner[closest].tolist(), strict=True):
        if depth[hole] % 2:
            holes.setdefault(outer, []).append(polygons[hole].exterior)
    return shapely.MultiPolygon(
        [
            shapely.Polygon(polygons[i].exterior, holes.get(i))
            for i in np.flatnonzero(depth % 2 == 0).tolist()
        ]
    )


def _odd_faces(lines: shapely.MultiLineString, rings: list[Points]) -> shapely.Geometry:
    """Return the faces of crossing lines about which the rings close an odd number of times."""
    faces = shapely.get_parts(shapely.polygonize([shapely.unary_union(lines)]))
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    start = np.concatenate(rings)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    rise = np.where(end[:, 1] == start[:, 1], 1.0, end[:, 1] - start[:, 1])
    odd = np.zeros(len(faces), dtype=bool)
    for first in range(0, len(faces), POINTS_AT_ONCE):
        x, y = inside[first : first + POINTS_AT_ONCE].T[:, :, None]
        spans = (start[:, 1] <= y) != (end[:, 1] <= y)
        at = start[:, 0] + (end[:, 0] - start[:, 0]) * (y - start[:, 1]) / rise
        odd[first : first + POINTS_AT_ONCE] = np.sum(spans & (at > x), axis=1) % 2 == 1
    return shapely.union_all(faces[odd])
