"""Local changes of the metal: what is added or cut, each for one defect.

A patch is built on the skeleton or by closing and opening (Serra, "Image analysis and mathematical
morphology", 1982) of the region near the defect, so that nothing elsewhere moves.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from tracer.curves.regions import as_region
from tracer.model import Region
from tracer.rules.skeleton import Bools, Skeleton, centre_line
from tracer.rules.survey import Defect

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


def widened(axis: Skeleton, defect: Defect, half: float, tolerance: float) -> BaseGeometry:
    """Return the strip of half width `half` along the centre line of a thin place.

    At free ends it is cut off flush with the end as drawn, so that lines keep their length; where
    the outline runs out to a point it ends round, at the point.
    """
    assert defect.thin is not None
    line = centre_line(axis, defect.thin.line, tolerance)
    strip = shapely.union_all(grown(np.array(shapely.get_parts(line), dtype=object), half))
    caps = _beyond_ends(axis, defect, half)
    return strip.difference(shapely.union_all(caps)) if caps else strip


def _beyond_ends(axis: Skeleton, defect: Defect, half: float) -> list[BaseGeometry]:
    """Return boxes beyond the free ends of a thin place, from where the drawing ends."""
    assert defect.thin is not None
    line = defect.thin.line
    chosen = np.zeros(len(axis.half), dtype=bool)
    chosen[line] = True
    thin = np.zeros(len(axis.half), dtype=bool)
    thin[defect.thin.nodes] = True
    a, b = axis.link.T
    within = chosen[a] & chosen[b]
    degree = np.bincount(a[within], minlength=len(chosen)) + np.bincount(
        b[within], minlength=len(chosen)
    )
    to_mouth = np.zeros(len(chosen), dtype=bool)
    out = thin[a] != thin[b]
    to_mouth[np.where(thin[a], a, b)[out]] = True
    boxes: list[BaseGeometry] = []
    for end in np.setdiff1d(line[degree[line] == 1], defect.thin.points):
        centre, own = axis.centre[end], float(axis.half[end])
        if own >= half or _near(axis, to_mouth, centre, half):
            continue
        around = line[np.abs(axis.centre[line] - centre) < max(2 * own, 0.5 * half)]
        back = centre - axis.centre[around].mean()
        if abs(back) < 1e-6:
            continue
        u = back / abs(back)
        start = centre + u * own
        wide = 1.01 * half * 1j * u
        deep = half * u
        ring = np.array([start - wide, start + wide, start + wide + deep, start - wide + deep])
        boxes.append(shapely.Polygon(np.column_stack([ring.real, ring.imag])))
    return boxes


def _near(axis: Skeleton, which: Bools, centre: complex, within: float) -> bool:
    index = np.flatnonzero(which)
    return bool(len(index)) and bool(np.abs(axis.centre[index] - centre).min() < within)


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
