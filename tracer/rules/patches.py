"""Local changes of the metal: what is added or cut, each for one defect.

A patch is a strip along the skeleton (see `strips`), or is made by closing and opening (Serra,
"Image analysis and mathematical morphology", 1982) of the region near the defect, so that nothing
elsewhere moves.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from tracer.curves.regions import as_region
from tracer.model import Region

Parts = NDArray[np.object_]

_QUADRANT = 24
"""Chords in a quarter of a circle: a circle of 1 mm keeps to 0.3 micrometres."""


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A part of the plane to become metal (`add`) or mould."""

    shape: BaseGeometry
    add: bool


def apply(region: Region, patches: list[Patch], *, sunk: bool) -> BaseGeometry:
    """Return the ink with patches added and cut, in that order."""
    result: BaseGeometry = region
    for add in (True, False):
        shapes = [p.shape for p in patches if p.add is add and not p.shape.is_empty]
        if not shapes:
            continue
        joined = shapes[0] if len(shapes) == 1 else shapely.union_all(shapes)
        result = result.union(joined) if add != sunk else result.difference(joined)
    return result


def grown(shape: Any, by: float) -> Any:
    """Dilate (by > 0) or erode with a disc."""
    return shapely.buffer(shape, by, quad_segs=_QUADRANT)


def fillable(ink: Region, by: float, tolerance: float, *, sunk: bool) -> Parts:
    """Return the parts of mould that no disc of radius `by` reaches."""
    return _missed(ink, by, tolerance) if sunk else _between(ink, by)


def losable(ink: Region, by: float, tolerance: float, *, sunk: bool) -> Parts:
    """Return the parts of metal that no disc of radius `by` reaches."""
    return _between(ink, by) if sunk else _missed(ink, by, tolerance)


def _between(ink: BaseGeometry, by: float) -> Parts:
    """Return the parts that closing adds."""
    return shapely.get_parts(grown(grown(ink, by), -by).difference(ink))


def _missed(ink: BaseGeometry, by: float, tolerance: float) -> Parts:
    """Return the parts that opening takes."""
    return shapely.get_parts(ink.difference(grown(grown(ink, -by), by + tolerance)))


def touching(parts: Parts, shape: BaseGeometry, tolerance: float) -> BaseGeometry:
    """Return the union of those parts that touch a shape, grown so that no slit is left beside."""
    if not len(parts):
        return shapely.Polygon()
    shapely.prepare(shape)
    chosen = shapely.union_all(parts[shapely.intersects(shape, parts)])
    return shapely.buffer(chosen, tolerance, quad_segs=4)


def without_slivers(ink: BaseGeometry, before: Region, thinner: float) -> Region:
    """Drop new openings and pieces that are thinner than `thinner`: leavings of the arithmetic."""
    polygons = shapely.get_parts(as_region(ink))
    rings = shapely.get_rings(polygons)
    slim = 2 * shapely.area(shapely.polygons(rings)) < thinner * shapely.length(rings)
    if not slim.any():
        return as_region(ink)
    old = shapely.STRtree(shapely.get_rings(shapely.get_parts(before)))
    kept = []
    for polygon in polygons:
        own = shapely.get_rings(polygon)
        keep = [not _is_new_sliver(ring, old, thinner) for ring in own]
        if keep[0]:
            holes = [ring for ring, wanted in zip(own[1:], keep[1:], strict=True) if wanted]
            kept.append(shapely.Polygon(own[0], holes))
    return as_region(shapely.MultiPolygon(kept))


def _is_new_sliver(ring: shapely.LinearRing, old: shapely.STRtree, thinner: float) -> bool:
    if 2 * shapely.Polygon(ring).area >= thinner * ring.length:
        return False
    near = old.geometries[old.query(ring)]
    return not any(shapely.equals(ring, other) for other in near)
