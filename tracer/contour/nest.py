"""Rings to a region: which ring is a piece and which an opening in it."""

import numpy as np
import shapely

from tracer.model import Frame, Points, Region


def nest_rings(rings: tuple[Points, ...], frame: Frame) -> Region:
    """Return the region enclosed an odd number of times by `rings`, in mm, y up, valid."""
    polygons = [shapely.Polygon(frame.to_mm(ring)) for ring in rings]
    polygons.sort(key=lambda polygon: -polygon.area)
    region = shapely.Polygon()
    for polygon in polygons:
        region = region.symmetric_difference(polygon.buffer(0))
    return as_region(region)


def as_region(shape: shapely.Geometry) -> Region:
    """Return the polygons of any geometry as one region, in a fixed order."""
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
    return shapely.MultiPolygon(shapely.orient_polygons(np.array(parts, dtype=object)).tolist())
