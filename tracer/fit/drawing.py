"""Region to `Drawing`: few, true segments."""

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from itertools import groupby, pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import ComplexArray, FloatArray, Line, Segment
from tracer.fit.joints import FURTHEST_TIP_PX
from tracer.fit.mirror import made_symmetric
from tracer.fit.regular import made_regular
from tracer.fit.ring import RingFit, fit_ring
from tracer.model import Fitted, Region

_TIP_PX = 14.0
"""A tip this near a crossing may be what crosses: it is looked at as far (`blunt.py`)."""

_PLACES = 6
"""Of the coordinates of rings in px: the same ring at another size is known again."""

_FLATNESS = 0.005
"""Paths are checked for crossings as polygons within this share of the tolerance."""

_Places = dict[tuple[int, int], ComplexArray]
"""Paths, as (piece, path), with the places on each that are at fault; none where all of it is."""


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
    paths, own_fits = iter(flat), iter(fits)
    shapes = [[_placed(next(paths), ring, tolerance, pixel_mm) for ring in own] for own in rings]
    nested = [[next(own_fits) for _ in own] for own in rings]
    shapes = _untangled(shapes, rings, nested, tolerance, pixel_mm)
    drawing = Drawing(tuple(Shape(paths[0], tuple(paths[1:])) for paths in shapes))
    return Fitted(drawing, said)


@lru_cache(maxsize=256)
def _known(points: bytes, tolerance: float) -> RingFit:
    """Fit a ring that may have been fitted before: of a mended drawing few rings are new."""
    return fit_ring(np.frombuffer(points, dtype=np.complex128), tolerance)


def _complex(ring: shapely.LinearRing) -> ComplexArray:
    xy = shapely.get_coordinates(ring)[:-1]
    return xy[:, 0] + 1j * xy[:, 1]


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
    shapes: list[list[Path]],
    rings: list[list[ComplexArray]],
    fits: list[list[RingFit]],
    tolerance: float,
    pixel_mm: float,
) -> list[list[Path]]:
    """Return the paths (mm), with those that cross themselves or another one put back.

    Near the crossings, then everywhere, their tips go no further out than the ring; then segments
    near them become lines along it; then the paths are fitted again within a third of the
    tolerance; then they become lines within half of it, then within a tenth, then the ring as it
    came.
    """
    slack = tolerance * pixel_mm

    def short(fit: RingFit, ring: ComplexArray, no_tips: NDArray[np.bool_]) -> Path:
        return _placed(fit.path(tolerance, no_tips=no_tips), ring, tolerance, pixel_mm)

    def tighter(ring: ComplexArray) -> Path:
        fit = _known(np.round(ring / pixel_mm, _PLACES).tobytes(), round(tolerance / 3, 9))
        path = fit.path(tolerance / 3, no_tips=fit.all_corners)
        return _placed(path, ring, tolerance, pixel_mm)

    remedies: tuple[Callable[[Path, RingFit, ComplexArray, ComplexArray], Path], ...] = (
        lambda _, fit, ring, at: short(fit, ring, fit.corners_near(at / pixel_mm, _TIP_PX)),
        lambda path, _, ring, at: along_ring(path, ring, at, pixel_mm, slack / 3),
        lambda path, _, ring, at: along_ring(path, ring, at, 2 * pixel_mm, slack / 10),
        lambda _, fit, ring, __: short(fit, ring, fit.all_corners),
        lambda _, __, ring, ___: tighter(ring),
        lambda _, __, ring, ___: _straight(ring, slack / 2),
        lambda _, __, ring, ___: _straight(ring, slack / 10),
        lambda _, __, ring, ___: _straight(ring, 0.0),
    )
    for remedy in remedies:
        bad = _crossing(shapes, _FLATNESS * slack)
        bad |= _strayed(shapes, rings, 2 * slack + FURTHEST_TIP_PX * pixel_mm)
        if not bad:
            break
        shapes = [
            [
                remedy(path, fits[i][j], rings[i][j], bad[i, j]) if (i, j) in bad else path
                for j, path in enumerate(paths)
            ]
            for i, paths in enumerate(shapes)
        ]
    flat = [path.points(_FLATNESS * slack) for paths in shapes for path in paths]
    if _misplaced(shapes, flat):  # what was put back may cross what was not
        return [[_straight(ring, 0.0) for ring in own] for own in rings]
    return shapes


def along_ring(
    path: Path, ring: ComplexArray, places: ComplexArray, reach: float, tolerance: float
) -> Path:
    """Return a path with lines along its ring for the segments within `reach` of any of the places.

    A run of such segments keeps its ends; the lines between follow the ring within the tolerance.
    The path comes back as it was where all of it is near, or the ring takes another way.
    """
    z = places[:, None]
    near = np.array([_away(s, z, reach / 4) <= reach for s in path.segments], dtype=np.bool_)
    if near.all() or not near.any():
        return path
    n, first = len(near), int(np.argmin(near))
    segments: list[Segment] = []
    for lines, group in groupby(range(first, first + n), key=lambda k: bool(near[k % n])):
        own = [path.segments[k % n] for k in group]
        if not lines:
            segments += own
            continue
        i, j = (int(np.abs(ring - end).argmin()) for end in (own[0].start, own[-1].end))
        # without the points next to the ends, which may lie before the one and behind the other
        way = ring[np.arange(i + 1, j + (len(ring) if j < i else 0)) % len(ring)]
        way = np.concatenate([[own[0].start], way, [own[-1].end]])
        if np.abs(np.diff(way)).sum() > 2 * sum(s.length for s in own) + 4 * reach:
            return path
        flat = shapely.LineString(_points(way)).simplify(tolerance)
        xy = shapely.get_coordinates(flat)
        ends = (xy[:, 0] + 1j * xy[:, 1]).tolist()
        segments += [Line(a, b) for a, b in pairwise(ends) if a != b]
    return Path(tuple(segments))


def _away(segment: Segment, places: ComplexArray, step: float) -> float:
    """Return how far the nearest of the places (K, 1) is from a segment, within about a `step`."""
    count = 2 + int(segment.length / step)
    return float(np.abs(segment.at(np.linspace(0.0, 1.0, count)) - places).min(initial=np.inf))


def _straight(ring: ComplexArray, tolerance: float) -> Path:
    if tolerance > 0:
        simple = shapely.Polygon(_points(ring)).simplify(tolerance)
        if isinstance(simple, shapely.Polygon) and not simple.is_empty:
            return polyline_path(_complex(simple.exterior).tolist())
    return polyline_path(ring.tolist())


def _crossing(shapes: list[list[Path]], flatness: float) -> _Places:
    """Return which paths cross themselves or touch or cross another, and where."""
    names = [(i, j) for i, paths in enumerate(shapes) for j in range(len(paths))]
    flat = [shapes[i][j].points(flatness) for i, j in names]
    lines = np.array([shapely.LinearRing(_points(z)) for z in flat], dtype=object)
    bad = set(np.flatnonzero(~shapely.is_simple(lines)).tolist())
    tree = shapely.STRtree(lines)
    one, other = tree.query(lines, predicate="intersects")
    bad.update(one[one != other].tolist())
    found = {names[k]: at for k, at in _meeting_places(flat, sorted(bad)).items()}
    for k, z in enumerate(flat):  # turned inside out, or without area
        area = float((np.conj(z) * np.roll(z, -1)).imag.sum())
        if (area > 0) != (names[k][1] == 0):
            found.setdefault(names[k], np.empty(0, dtype=np.complex128))
    return found or _misplaced(shapes, flat)


def _meeting_places(flat: list[ComplexArray], chosen: list[int]) -> dict[int, ComplexArray]:
    """Return where the chosen ones of closed lines cross or touch themselves or each other."""
    if not chosen:
        return {}
    owner = np.repeat(chosen, [len(flat[k]) for k in chosen])
    z = np.concatenate([flat[k] for k in chosen])
    on = np.concatenate([np.roll(flat[k], -1) for k in chosen])
    ends = np.stack([z, on], axis=1).view(np.float64).reshape(-1, 2, 2)
    edges = np.asarray(shapely.linestrings(ends))
    a, b = shapely.STRtree(edges).query(edges, predicate="intersects")
    meet = (a < b) & (on[a] != z[b]) & (on[b] != z[a])  # neighbours share an end
    a, b = a[meet], b[meet]
    middles = shapely.centroid(shapely.intersection(edges[a], edges[b]))
    xy = shapely.get_coordinates(middles)
    at = xy[:, 0] + 1j * xy[:, 1]
    return {k: at[(owner[a] == k) | (owner[b] == k)] for k in chosen}


def _misplaced(shapes: list[list[Path]], flat: list[ComplexArray]) -> _Places:
    """Return which paths that cross nowhere still overlap: a piece in a piece, a hole outside."""
    own = iter(flat)
    rings = [[next(own) for _ in paths] for paths in shapes]
    polygons = np.array(
        [
            shapely.Polygon(_points(outer), [_points(hole) for hole in holes])
            for outer, *holes in rings
        ]
    )
    if shapely.MultiPolygon(polygons.tolist()).is_valid:
        return {}
    nowhere = np.empty(0, dtype=np.complex128)
    found = {
        (i, j): nowhere
        for i in np.flatnonzero(~shapely.is_valid(polygons)).tolist()
        for j in range(len(shapes[i]))
    }
    inner, outer = shapely.STRtree(polygons).query(polygons, predicate="within")
    for i, k in zip(inner.tolist(), outer.tolist(), strict=True):
        if i != k:
            for name in [(i, 0), *((k, j) for j in range(len(shapes[k])))]:
                found[name] = np.append(found.get(name, nowhere), rings[i][0])
    return found or {(i, j): nowhere for i, own in enumerate(rings) for j in range(len(own))}


def _points(z: ComplexArray) -> FloatArray:
    return np.column_stack([z.real, z.imag])


def _strayed(shapes: list[list[Path]], rings: list[list[ComplexArray]], most: float) -> _Places:
    """Return which paths reach out of the bounds of their ring by more than `most`, and where."""
    far = {}
    for i, paths in enumerate(shapes):
        for j, path in enumerate(paths):
            ring, flat = rings[i][j], path.points(most)
            out = flat[
                (flat.real < ring.real.min() - most)
                | (flat.real > ring.real.max() + most)
                | (flat.imag < ring.imag.min() - most)
                | (flat.imag > ring.imag.max() + most)
            ]
            if len(out):
                far[i, j] = out
    return far
