"""Region to `Drawing`: few, true segments."""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np
import shapely

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import ComplexArray
from tracer.fit.mirror import made_symmetric
from tracer.fit.regular import made_regular
from tracer.fit.ring import RingFit, fit_ring
from tracer.model import Fitted, Region

_FURTHEST_TIP_PX = 2.5
"""A path may go on beyond its ring to where two sides meet; further off is no tip but a fault."""

_PLACES = 6
"""Of the coordinates of rings in px: the same ring at another size is known again."""

_FLATNESS = 0.005
"""Paths are checked for crossings as polygons within this share of the tolerance."""


def fit_drawing(
    region: Region, tolerance_mm: float, *, pixel_mm: float, regular: bool = True
) -> Fitted:
    """Fit lines, arcs and cubics to the rings of a region.

    Whatever the region, each ring becomes one closed path whose segments meet exactly, none of them
    without length; outers run counter-clockwise, holes clockwise; flattened within a two-hundredth
    of the tolerance no path crosses itself or another one. The same region gives the same drawing.

    A path follows its ring within the tolerance, but for three things. Where the ring is rounded
    at a corner by the pixels, the path goes on to where the sides meet; that is at most about a
    pixel off at a right angle and two at a sharp tip (`tip_gap`). One point in seventy may
    stray by half as much again; and so may a ring that only many small segments could follow.
    Not promised: joints that are smooth where the ring itself is not.

    Parameters
    ----------
    region
        In mm, y up, rings of about one vertex per pixel edge; long straight edges are welcome.
    tolerance_mm
        How far a path may be from its ring, mm.
    pixel_mm
        Size of one pixel of the artwork, mm.
    regular
        Whether sides that are level, upright or parallel within the noise, and radii and centres
        that are one within the noise, are made exactly so; see `made_regular`.
    """
    tolerance = round(tolerance_mm / pixel_mm, 9)
    polygons = shapely.orient_polygons(np.asarray(region.geoms))
    rings = [[_complex(r) for r in (p.exterior, *p.interiors)] for p in polygons]
    if not rings:
        return Fitted(Drawing(()), ())
    fits = [_known(np.round(r / pixel_mm, _PLACES).tobytes(), tolerance) for o in rings for r in o]
    said: tuple[str, ...] = ()
    if regular:
        fits, said = made_regular(fits, tolerance)
    flat = [fit.path(tolerance) for fit in fits]
    if regular:
        flat, line = made_symmetric(flat, tolerance)
        said += (f"both halves made exactly alike about {line} line",) if line else ()
    paths = iter(flat)
    shapes = [[_placed(next(paths), ring, tolerance, pixel_mm) for ring in own] for own in rings]
    shapes = _untangled(shapes, rings, tolerance_mm, pixel_mm)
    drawing = Drawing(tuple(Shape(paths[0], tuple(paths[1:])) for paths in shapes))
    return Fitted(drawing, said)


@lru_cache(maxsize=256)
def _known(points: bytes, tolerance: float) -> RingFit:
    """Fit a ring that may have been fitted before: of a mended drawing few rings are new."""
    return fit_ring(np.frombuffer(points, dtype=np.complex128), tolerance)


def _complex(ring: shapely.LinearRing) -> ComplexArray:
    xy = shapely.get_coordinates(ring)[:-1]
    return xy[:, 0] + 1j * xy[:, 1]


def _fit(ring: ComplexArray, tolerance: float, pixel_mm: float) -> Path:
    """Return a ring fitted by itself, its tips no further out than the ring."""
    fit = _known(np.round(ring / pixel_mm, _PLACES).tobytes(), round(tolerance, 9))
    return _placed(fit.path(tolerance, tips=False), ring, tolerance, pixel_mm)


def _placed(path: Path, ring: ComplexArray, tolerance: float, pixel_mm: float) -> Path:
    """Return the path, in px, in mm; the ring itself where the path is no path."""
    path = closed_up(path.mapped(pixel_mm, 0j), 1e-7 * pixel_mm)
    flat = path.points(0.1 * tolerance * pixel_mm) if len(path.segments) > 1 else np.empty(0)
    if len(flat) < 3 or not np.isfinite(flat).all():
        return polyline_path(ring.tolist())
    return path


def closed_up(path: Path, shortest: float) -> Path:
    """Return the path without segments shorter than `shortest`, each starting where one ended."""
    kept = [s for s in path.segments if s.length > shortest]
    joined = []
    for k, segment in enumerate(kept):
        end = kept[(k + 1) % len(kept)].start
        joined.append(replace(segment, end=end) if segment.end != end else segment)
    return Path(tuple(joined))


def _untangled(
    shapes: list[list[Path]], rings: list[list[ComplexArray]], tolerance: float, pixel_mm: float
) -> list[list[Path]]:
    """Return the paths, with those that cross themselves or another one put back.

    They are fitted again without tips beyond the ring, then within a third of the tolerance; then
    they become lines within half of it, then within a tenth, then the ring as it came.
    """
    remedies: tuple[Callable[[ComplexArray], Path], ...] = (
        lambda ring: _fit(ring, tolerance / pixel_mm, pixel_mm),
        lambda ring: _fit(ring, tolerance / pixel_mm / 3, pixel_mm),
        lambda ring: _straight(ring, tolerance / 2),
        lambda ring: _straight(ring, tolerance / 10),
        lambda ring: _straight(ring, 0.0),
    )
    for remedy in remedies:
        bad = _crossing(shapes, _FLATNESS * tolerance)
        bad |= _strayed(shapes, rings, 2 * tolerance + _FURTHEST_TIP_PX * pixel_mm)
        if not bad:
            break
        shapes = [
            [remedy(rings[i][j]) if (i, j) in bad else path for j, path in enumerate(paths)]
            for i, paths in enumerate(shapes)
        ]
    flat = [path.points(_FLATNESS * tolerance) for paths in shapes for path in paths]
    if _misplaced(shapes, flat):  # what was put back may cross what was not
        return [[_straight(ring, 0.0) for ring in own] for own in rings]
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
    for k, z in enumerate(flat):  # turned inside out, or without area
        area = float((np.conj(z) * np.roll(z, -1)).imag.sum())
        if (area > 0) != (names[k][1] == 0):
            bad.add(names[k])
    return bad or ({*names} if _misplaced(shapes, flat) else set())


def _misplaced(shapes: list[list[Path]], flat: list[ComplexArray]) -> bool:
    """Return whether paths that cross nowhere still overlap: a piece in a piece, a hole outside."""
    rings = iter([np.column_stack([z.real, z.imag]) for z in flat])
    polygons = []
    for paths in shapes:
        outer, *holes = (next(rings) for _ in paths)
        polygons.append(shapely.Polygon(outer, holes))
    return not shapely.MultiPolygon(polygons).is_valid


def _strayed(
    shapes: list[list[Path]], rings: list[list[ComplexArray]], most: float
) -> set[tuple[int, int]]:
    """Return which paths reach out of the bounds of their ring by more than `most`."""
    far = set()
    for i, paths in enumerate(shapes):
        for j, path in enumerate(paths):
            ring, flat = rings[i][j], path.points(most)
            low = min((flat.real.min() - ring.real.min()), (flat.imag.min() - ring.imag.min()))
            high = max((flat.real.max() - ring.real.max()), (flat.imag.max() - ring.imag.max()))
            if low < -most or high > most:
                far.add((i, j))
    return far
