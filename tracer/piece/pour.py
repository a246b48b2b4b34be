"""The pour: where to start, what freezes too soon, where air stays.

The plan is taken as a plate of uneven width. Its modulus, volume over cooled surface, decides how
long a place stays liquid (Chvorinov); where a place with a larger modulus hangs behind a neck with
a smaller one, the neck freezes first and cannot feed it.
"""

import math
from dataclasses import dataclass

import numpy as np
import shapely

from tracer.curves.regions import as_region
from tracer.model import Region

GRAVITY = 9.81
FEED_RATIO = 1.2
"""A feeder wants this times the modulus of what it feeds: modulus method (Wlodawer, Directional
Solidification of Steel Castings, from memory)."""
VENT_RATIO = 1.0
"""Depth over width from which the end of a groove may trap air: a judgement."""
_MOST_MARKS = 12
_RADII = 24
_REFINE = 12
_SCRAP_MM2 = 0.05


@dataclass(frozen=True, slots=True)
class Neck:
    """A narrow place that must feed a thicker one beyond it."""

    at: tuple[float, float]
    width_mm: float
    beyond_mm: float  # inscribed diameter of what it feeds
    modulus_ratio: float  # of what lies beyond, over the neck


@dataclass(frozen=True, slots=True)
class Vent:
    """The end of a groove of the mould where air may stay."""

    at: tuple[float, float]
    width_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True)
class Pour:
    """How to pour a piece."""

    gate: tuple[float, float]
    gate_width_mm: float  # inscribed diameter of the section there
    head_mm: float  # of metal over the finest line, so that its own weight fills it
    finest_mm: float
    necks: tuple[Neck, ...]
    cut_off: tuple[tuple[float, float], ...]  # a point in each part not joined to the gate
    vents: tuple[Vent, ...]


def capillary_head_mm(width_mm: float, tension_n_m: float, density_kg_m3: float) -> float:
    """Return the head of metal that presses it into a groove: ``2 gamma / (rho g w)``.

    Young-Laplace for a mould that is not wetted at all; an upper bound for clean metal.

    >>> round(capillary_head_mm(1.0, 0.55, 6970), 2)
    16.09
    """
    return 2 * tension_n_m / (density_kg_m3 * GRAVITY * width_mm * 1e-3) * 1000


def bar_modulus(width_mm: float, thickness_mm: float, *, open_back: bool) -> float:
    """Return volume over cooled surface of a bar; an open back takes no heat.

    >>> round(bar_modulus(1, 3, open_back=True), 3), round(bar_modulus(20, 3, open_back=True), 3)
    (0.429, 2.308)
    """
    area = width_mm * thickness_mm
    if open_back:
        return area / (width_mm + 2 * thickness_mm)
    return area / (2 * (width_mm + thickness_mm))


def plan_pour(  # noqa: PLR0913 - what a pour depends on
    outline: Region,
    thickness_mm: float,
    *,
    raised: Region,
    relief_mm: float,
    hole: tuple[float, float] | None,
    finest_mm: float,
    head_mm: float,
    open_back: bool,
) -> Pour:
    """Return gate, necks, parts cut off and vents of a piece.

    Parameters
    ----------
    outline
        The piece in plan, without its hole.
    raised, relief_mm
        The raised design and its height: grooves in the mould.
    hole
        Where the piece is hung; of equal places the gate takes the one farthest from it.
    """
    pieces = sorted(outline.geoms, key=lambda p: (-p.area, p.bounds))
    main = pieces[0]
    gate, width = _gate(main, hole)
    necks = _necks(main, gate, thickness_mm, open_back=open_back)
    others = [p.representative_point() for p in pieces[1:]]
    vents = _dead_ends(raised, relief_mm) if relief_mm > 0 else ()
    return Pour(gate, width, head_mm, finest_mm, necks, tuple((p.x, p.y) for p in others), vents)


def _gate(
    piece: shapely.Polygon, hole: tuple[float, float] | None
) -> tuple[tuple[float, float], float]:
    """Return the place on the rim beside the widest inscribed disc, and that disc's diameter."""
    radius = _inscribed_radius(piece)
    core = piece.buffer(-0.98 * radius, quad_segs=16)
    away = shapely.Point(hole) if hole is not None else shapely.Point(piece.centroid.x, 1e4)
    part = max(shapely.get_parts(core), key=lambda p: round(shapely.distance(p, away), 6))
    middle = part.centroid
    ring = piece.exterior
    points = shapely.get_coordinates(ring.segmentize(0.25))
    from_middle = np.hypot(points[:, 0] - middle.x, points[:, 1] - middle.y)
    near = points[from_middle <= from_middle.min() + 0.05 * radius + 0.02]
    way = np.array([middle.x - away.x, middle.y - away.y])
    target = np.array([middle.x, middle.y]) + radius * way / max(np.hypot(*way), 1e-9)
    x, y = near[int(np.argmin(np.hypot(*(near - target).T)))]
    if shapely.distance(ring, shapely.Point(target)) < 0.02 * radius:
        x, y = target
    return (float(x), float(y)), 2 * radius


def _inscribed_radius(piece: shapely.Polygon) -> float:
    line = shapely.maximum_inscribed_circle(piece, tolerance=0.005)
    return float(line.length)


def _necks(
    piece: shapely.Polygon, gate: tuple[float, float], thickness: float, *, open_back: bool
) -> tuple[Neck, ...]:
    """Return the necks: where the eroded plan parts, and what it parts from the gate."""
    largest = _inscribed_radius(piece)
    radii = np.geomspace(0.2, largest, _RADII)
    found: list[Neck] = []
    before: list[shapely.Polygon] = [piece]
    last = 0.0
    for radius in radii:
        core = _parts(piece, float(radius))
        for parent in before:
            children = [c for c in core if parent.contains(c.representative_point())]
            if len(children) > 1:
                found += _split(piece, parent, (last, float(radius)), gate, thickness, open_back)
        before, last = core, float(radius)
    unique: list[Neck] = []
    for neck in sorted(found, key=lambda n: (-n.modulus_ratio, n.at)):
        if all(math.dist(neck.at, other.at) > max(neck.width_mm, 1.0) for other in unique):
            unique.append(neck)
    return tuple(unique[:_MOST_MARKS])


def _split(
    piece: shapely.Polygon,
    parent: shapely.Polygon,
    between: tuple[float, float],
    gate: tuple[float, float],
    thickness: float,
    open_back: bool,  # noqa: FBT001 - part of a row of numbers
) -> list[Neck]:
    low, high = between
    for _ in range(_REFINE):
        middle = (low + high) / 2
        inside = [c for c in _parts(piece, middle) if parent.contains(c.representative_point())]
        low, high = (low, middle) if len(inside) > 1 else (middle, high)
    children = [c for c in _parts(piece, high) if parent.contains(c.representative_point())]
    home = min(children, key=lambda c: shapely.distance(c, shapely.Point(gate)))
    necks = []
    neck_modulus = bar_modulus(2 * high, thickness, open_back=open_back)
    for child in children:
        if child is home:
            continue
        beyond = high + _inscribed_radius(child)
        ratio = bar_modulus(2 * beyond, thickness, open_back=open_back) / neck_modulus
        if ratio > FEED_RATIO:
            spot = shapely.shortest_line(home, child).centroid
            necks.append(Neck((spot.x, spot.y), 2 * high, 2 * beyond, ratio))
    return necks


def _parts(piece: shapely.Polygon, radius: float) -> list[shapely.Polygon]:
    core = as_region(piece.buffer(-radius, quad_segs=8))
    return [p for p in core.geoms if p.area > 1e-6]


def _dead_ends(raised: Region, depth: float) -> tuple[Vent, ...]:
    """Return the ends of narrow grooves, the deepest for their width first."""
    ends = []
    for polygon in raised.geoms:
        wide = _inscribed_radius(polygon)
        for radius in (depth / VENT_RATIO / 2, depth / VENT_RATIO / 4):
            if radius < 0.02:
                continue
            opened = polygon.buffer(-radius, quad_segs=8).buffer(1.05 * radius, quad_segs=8)
            for part in shapely.get_parts(polygon.difference(opened.buffer(radius * 0.3))):
                if part.area < _SCRAP_MM2:
                    continue
                ends += _tips(part, opened, depth, min(wide, radius))
    unique: list[Vent] = []
    for vent in sorted(ends, key=lambda v: (-v.depth_mm / v.width_mm, v.at)):
        if all(math.dist(vent.at, other.at) > 2 * vent.width_mm + 0.5 for other in unique):
            unique.append(vent)
    return tuple(unique[:_MOST_MARKS])


def _tips(
    part: shapely.Polygon, opened: shapely.Polygon | shapely.MultiPolygon, depth: float, most: float
) -> list[Vent]:
    """Return the ends of one narrow part: its points farthest from the wide metal."""
    points = shapely.get_coordinates(part.exterior)
    if opened.is_empty:
        first = points[int(np.argmax(np.hypot(*(points - points.mean(axis=0)).T)))]
        far = [first, points[int(np.argmax(np.hypot(*(points - first).T)))]]
    else:
        away = shapely.distance(opened, shapely.points(points))
        if away.max() < most:
            return []
        far = [points[int(np.argmax(away))]]
    radius = _inscribed_radius(part)
    if depth / (2 * radius) < VENT_RATIO:
        return []
    return [Vent((float(x), float(y)), 2 * radius, depth) for x, y in far]
