"""Region to `Drawing`: few, true segments."""

import numpy as np
import shapely

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import ComplexArray
from tracer.fit.ring import fit_ring
from tracer.model import Fitted, Region

_FLATNESS = 0.05
"""Paths are checked for crossings as polygons within this share of the tolerance."""


def fit_drawing(region: Region, tolerance_mm: float, *, pixel_mm: float) -> Fitted:
    """Fit lines, arcs and cubics to the rings of a region.

    Every path of the drawing stays within `tolerance_mm` of its ring, paths do not cross
    themselves or each other, and the number of pieces and openings is that of the region.
    """
    tolerance = tolerance_mm / pixel_mm
    polygons = shapely.orient_polygons(np.asarray(region.geoms))
    rings = [[_complex(r) for r in (p.exterior, *p.interiors)] for p in polygons]
    shapes = [[_fit(ring, tolerance, pixel_mm) for ring in own] for own in rings]
    shapes = _untangled(shapes, rings, tolerance_mm)
    drawing = Drawing(tuple(Shape(paths[0], tuple(paths[1:])) for paths in shapes))
    return Fitted(drawing, ())


def _complex(ring: shapely.LinearRing) -> ComplexArray:
    xy = shapely.get_coordinates(ring)[:-1]
    return xy[:, 0] + 1j * xy[:, 1]


def _fit(ring: ComplexArray, tolerance: float, pixel_mm: float) -> Path:
    origin = complex(ring[0])
    path = fit_ring((ring - origin) / pixel_mm, tolerance)
    return path.mapped(pixel_mm, origin)


def _untangled(
    shapes: list[list[Path]], rings: list[list[ComplexArray]], tolerance: float
) -> list[list[Path]]:
    """Return the paths, with those that cross themselves or another one put back to lines.

    First to lines within half the tolerance, then within a tenth, then to the ring as it came.
    """
    for share in (0.5, 0.1, 0.0):
        bad = _crossing(shapes, _FLATNESS * tolerance)
        if not bad:
            break
        shapes = [
            [
                _straight(rings[i][j], share * tolerance) if (i, j) in bad else path
                for j, path in enumerate(paths)
            ]
            for i, paths in enumerate(shapes)
        ]
    return shapes


def _straight(ring: ComplexArray, tolerance: float) -> Path:
    xy = np.column_stack([ring.real, ring.imag])
    if tolerance > 0:
        simple = shapely.Polygon(xy).simplify(tolerance)
        if isinstance(simple, shapely.Polygon) and not simple.is_empty:
            return polyline_path(_complex(simple.exterior).tolist())
    return polyline_path(ring.tolist())


def _crossing(shapes: list[list[Path]], flatness: float) -> set[tuple[int, int]]:
    """Return which paths, as (piece, path), cross themselves or touch or cross another."""
    names = [(i, j) for i, paths in enumerate(shapes) for j in range(len(paths))]
    flat = [shapes[i][j].points(flatness) for i, j in names]
    lines = np.array(
        [shapely.LinearRing(np.column_stack([z.real, z.imag])) for z in flat], dtype=object
    )
    bad = {names[k] for k in np.flatnonzero(~shapely.is_simple(lines))}
    tree = shapely.STRtree(lines)
    one, other = tree.query(lines, predicate="intersects")
    for a, b in zip(one.tolist(), other.tolist(), strict=True):
        if a != b:
            bad |= {names[a], names[b]}
    for k, z in enumerate(flat):
        area = float((np.conj(z) * np.roll(z, -1)).imag.sum())
        if (area > 0) != (names[k][1] == 0):
            bad.add(names[k])
    return bad
