"""One ring to one closed path."""

import math

import numpy as np
import shapely

from tracer.curves.path import Path, polyline_path
from tracer.curves.segments import Arc, ComplexArray, FloatArray
from tracer.fit.arc import fit_circles
from tracer.fit.attempt import LET_PASS, STRAY, fit_span
from tracer.fit.chain import Chain
from tracer.fit.corners import Corners, corners
from tracer.fit.joints import LEAST_TURN, joined, turn_between
from tracer.fit.samples import Ring, ring_of
from tracer.fit.spans import cut_spans, whole_span


def fit_ring(points: ComplexArray, tolerance: float) -> Path:
    """Return the path of a closed ring, points in px, metal on the left."""
    ring = ring_of(points)
    if ring is None or ring.length < 8:
        return simple_path(points, tolerance / 2)
    rough = max(1.0, tolerance / 0.1) ** 0.5
    found = corners(ring, tolerance)
    if len(found.index) == 0:
        circle = whole_circle(ring, tolerance)
        if circle is not None:
            return circle
    known: dict[tuple[int, int], Chain] = {}
    while len(found.index):
        chains = _between(ring, found, tolerance, rough, known)
        path = Path(joined(ring, chains, found, tolerance))
        kept = np.abs(_corner_turns(path, chains, found)) > LEAST_TURN * rough
        if kept.all():
            return path
        found = Corners(found.index[kept], found.tip[kept], found.turn[kept])
    return Path(fit_span(whole_span(ring), ring.step, tolerance, rough).segments)


def _between(
    ring: Ring,
    found: Corners,
    tolerance: float,
    rough: float,
    known: dict[tuple[int, int], Chain],
) -> list[Chain]:
    """Return the chains between the corners; `known` remembers those of an earlier round."""
    ends = found.index.tolist()
    chains = []
    for k, span in enumerate(cut_spans(ring, found, rough)):
        name = (ends[k], ends[(k + 1) % len(ends)])
        if name not in known:
            known[name] = fit_span(span, ring.step, tolerance, rough)
        chains.append(known[name])
    return chains


def _corner_turns(path: Path, chains: list[Chain], found: Corners) -> FloatArray:
    """Return by how much the path turns at each corner; where it is blunt, as found."""
    turns = found.turn.copy()
    if len(path.segments) == sum(len(c.segments) for c in chains):
        at = 0
        for k, chain in enumerate(chains):
            turns[k] = turn_between(path.segments[at - 1], path.segments[at])
            at += len(chain.segments)
    return turns


def whole_circle(ring: Ring, tolerance: float) -> Path | None:
    """Return the ring as one circle of two arcs, if it is one."""
    centre, radius, off = fit_circles(ring.vertices[None, :])
    worst = np.abs(off).max()
    if not worst <= LET_PASS * tolerance or not radius[0] < ring.length:
        return None
    if (np.abs(off) > tolerance).mean() > STRAY:
        return None
    if off.std() > 0.4 * tolerance:
        return None
    way = 1 if _area(ring.vertices) > 0 else -1
    c, r = complex(centre[0]), float(radius[0])
    return Path((Arc(c + r, c - r, way * math.pi), Arc(c - r, c + r, way * math.pi)))


def simple_path(points: ComplexArray, tolerance: float) -> Path:
    """Return the ring as a polygon within `tolerance`: for rings too small to be curves."""
    xy = np.column_stack([points.real, points.imag])
    polygon = shapely.Polygon(xy).simplify(tolerance)
    if not isinstance(polygon, shapely.Polygon) or polygon.is_empty or not polygon.is_valid:
        return polyline_path(points.tolist())
    corners_ = np.asarray(polygon.exterior.coords)[:-1]
    return polyline_path((corners_[:, 0] + 1j * corners_[:, 1]).tolist())


def _area(z: ComplexArray) -> float:
    return float((np.conj(z) * np.roll(z, -1)).imag.sum()) / 2
