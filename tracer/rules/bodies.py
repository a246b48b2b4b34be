"""Islands, openings and loose pieces: remove, fill, enlarge, bridge."""

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.model import Kind
from tracer.rules.patches import Parts, Patch, grown
from tracer.rules.survey import Defect, Sizes, Survey
from tracer.settings import Repairs


def mend_bodies(
    found: Survey, defects: list[Defect], sizes: Sizes, repairs: Repairs
) -> list[Patch]:
    """Return the patches for small islands, small openings and (bridged) loose pieces."""
    patches = []
    for defect in defects:
        match defect.kind:
            case Kind.SMALL_ISLAND:
                patches += _island(found, defect, sizes, repairs)
            case Kind.SMALL_OPENING if not defect.hole_mm:
                patches += _opening(found, defect, sizes, repairs)
            case Kind.LOOSE_PIECE if repairs.islands == "bridge":
                patches += _bridge(found, defect, sizes)
            case _:
                pass
    return patches


def _exact(found: Survey, defect: Defect) -> Parts:
    """Return the body exactly as drawn: its place is measured on a simplified outline."""
    inside = defect.metal == bool(found.metal_side[found.axis.inside].any())
    parts = shapely.get_parts(found.region)
    if not inside:
        holes = np.concatenate([shapely.get_rings(p)[1:] for p in parts])
        parts = np.atleast_1d(np.asarray(shapely.polygons(holes), dtype=object))
    return parts


def _bodies_of(found: Survey, defect: Defect) -> BaseGeometry:
    parts = _exact(found, defect)
    if not len(parts):
        return shapely.Polygon()
    points = shapely.point_on_surface(shapely.get_parts(defect.place))
    tree = shapely.STRtree(parts)
    _, index = tree.query(points, predicate="intersects")
    chosen = np.unique(index)
    if len(chosen) > len(points):  # nested: an outline around others is not meant
        chosen = chosen[shapely.area(parts[chosen]) < 2 * defect.area + 1e-9]
    return shapely.MultiPolygon(list(parts[chosen]))  # apart from each other as they are


def _island(found: Survey, defect: Defect, sizes: Sizes, repairs: Repairs) -> list[Patch]:
    shape = _bodies_of(found, defect)
    if repairs.islands == "remove" or defect.count > 1:
        return [Patch(shape, add=False)]
    target = sizes.island + sizes.margin
    larger = grown(shape, (target - defect.width) / 2)
    if repairs.islands == "bridge":
        return _bridge(found, defect, sizes)
    return [Patch(larger, add=True)]


def _opening(found: Survey, defect: Defect, sizes: Sizes, repairs: Repairs) -> list[Patch]:
    shape = _bodies_of(found, defect)
    if repairs.openings == "fill" or defect.count > 1:
        return [Patch(shape, add=True)]
    return [Patch(grown(shape, (sizes.opening + sizes.margin - defect.width) / 2), add=False)]


def _bridge(found: Survey, defect: Defect, sizes: Sizes) -> list[Patch]:
    """Tie a piece to its nearest neighbour by the shortest bridge of the least width."""
    own = _bodies_of(found, defect)
    others = shapely.MultiPolygon(
        [p for p in shapely.get_parts(found.region) if not p.intersects(own)]
    )
    if others.is_empty:
        return []
    half = (sizes.metal + sizes.margin) / 2
    line = shapely.shortest_line(own, others)
    (x0, y0), (x1, y1) = line.coords
    along = complex(x1 - x0, y1 - y0)
    u = along / abs(along) if along else 1
    a, b = complex(x0, y0) - u * half, complex(x1, y1) + u * half
    strip = shapely.buffer(
        shapely.LineString([(a.real, a.imag), (b.real, b.imag)]), half, cap_style="flat"
    )
    return [Patch(strip, add=True)]
