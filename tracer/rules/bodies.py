"""Islands, openings and loose pieces: remove, fill, enlarge, bridge."""

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.model import Kind, Region
from tracer.rules.patches import Patch, grown
from tracer.rules.survey import Defect, Sizes, Survey
from tracer.settings import Repairs


def mend_bodies(
    found: Survey, defects: list[Defect], sizes: Sizes, repairs: Repairs
) -> list[Patch]:
    """Return the patches for small islands, small openings and (bridged) loose pieces."""
    pieces = shapely.STRtree(shapely.get_parts(found.region))
    openings = shapely.STRtree(_openings(found.region))
    ink_is_metal = bool(found.metal_side[found.axis.inside].any())
    patches = []
    for defect in defects:
        shapes = pieces if defect.metal == ink_is_metal else openings
        match defect.kind:
            case Kind.SMALL_ISLAND:
                shape = _bodies_of(shapes, defect)
                patches += _island(found, defect, shape, sizes, repairs)
            case Kind.SMALL_OPENING if not defect.hole_mm:
                patches += [_opening(defect, _bodies_of(shapes, defect), sizes, repairs)]
            case Kind.LOOSE_PIECE if repairs.islands == "bridge":
                patches += _bridge(found, _bodies_of(shapes, defect), sizes)
            case _:
                pass
    return patches


def _openings(region: Region) -> list[shapely.Polygon]:
    """Return the openings of a region as polygons, with whatever stands in them."""
    return [shapely.Polygon(r) for part in shapely.get_parts(region) for r in part.interiors]


def _bodies_of(shapes: shapely.STRtree, defect: Defect) -> BaseGeometry:
    """Return the bodies exactly as drawn: their place is measured on a simplified outline."""
    if not len(shapes):
        return shapely.Polygon()
    points = shapely.point_on_surface(shapely.get_parts(defect.place))
    _, index = shapes.query(points, predicate="intersects")
    chosen = np.unique(index)
    parts = shapes.geometries
    if len(chosen) > len(points):  # nested: an outline around others is not meant
        chosen = chosen[shapely.area(parts[chosen]) < 2 * defect.area + 1e-9]
    return shapely.MultiPolygon(list(parts[chosen]))  # apart from each other as they are


def _island(
    found: Survey, defect: Defect, shape: BaseGeometry, sizes: Sizes, repairs: Repairs
) -> list[Patch]:
    if repairs.islands == "remove" or defect.count > 1:
        return [Patch(shape, add=False)]
    if repairs.islands == "bridge":
        return _bridge(found, shape, sizes)
    return [Patch(grown(shape, (sizes.island + sizes.margin - defect.width) / 2), add=True)]


def _opening(defect: Defect, shape: BaseGeometry, sizes: Sizes, repairs: Repairs) -> Patch:
    if repairs.openings == "fill" or defect.count > 1:
        return Patch(shape, add=True)
    return Patch(grown(shape, (sizes.opening + sizes.margin - defect.width) / 2), add=False)


def _bridge(found: Survey, own: BaseGeometry, sizes: Sizes) -> list[Patch]:
    """Tie a piece to its nearest neighbour by the shortest bridge of the least width."""
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
