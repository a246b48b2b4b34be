"""Rings to a region: which ring is a piece and which an opening in it."""

import shapely

from tracer.curves.regions import as_region
from tracer.model import Frame, Points, Region


def nest_rings(rings: tuple[Points, ...], frame: Frame) -> Region:
    """Return the region enclosed an odd number of times by `rings`, in mm, y up, valid."""
    polygons = [shapely.Polygon(frame.to_mm(ring)) for ring in rings]
    polygons.sort(key=lambda polygon: -polygon.area)
    region = shapely.Polygon()
    for polygon in polygons:
        region = region.symmetric_difference(polygon.buffer(0))
    return as_region(region)
