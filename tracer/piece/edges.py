"""The largest rounding of the top edge that the outline and the heights allow, and what sets it.

The rounding is a quarter round of radius R along the outline, tangent to the wall and to the face.
It needs R of wall below the face and R of face inside the outline. Four things can be in the way:

* the height of the wall: that of the body, or, where a sunk design runs out over the rim, only the
  height of its floor;
* the land between the rim and the foot of the design, or the hole;
* half the width of a neck or limb, where the roundings of both sides meet;
* a convex curve of smaller radius, on which the rounding would fold over itself. A sharp corner is
  no such place: there the roundings of both sides meet in a mitre.
"""

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Points, Region
from tracer.piece.layout import parts_at_rim
from tracer.piece.solid import Solid, offset, solid_of
from tracer.piece.values import Piece, Rule

_CORNER_RAD = math.radians(17)
"""Vertices that turn by more are corners of the drawing, those that turn by less lie on curves."""
_TIP_RAD = math.radians(120)
"""A spur that ends in a corner turning by more (sharper than 60 degrees) is a tip, not a limb."""
_FOLD_MM = 0.015
"""A fold lower than this is not counted: it lies within the tolerance of fitted outlines."""
_NEAR_MM = 0.1
_ROUNDING_MM = 0.002
"""By which a limit may lie below the figure that it is, from flattening."""
_SAGITTA_MM = 0.001
_STEPS = 14
_SCRAP = 1e-3
"""mm2: smaller left-overs of an opening are rounding noise."""


@dataclass(frozen=True, slots=True)
class EdgeRule:
    """One thing that limits the rounding."""

    name: str  # height | sunk-floor | land | hole | neck | convex-curve
    limit_mm: float
    at: tuple[float, float]
    text: str
    rule: Rule = Rule.GEOMETRY


def edge_rules(piece: Piece, *, hole_is_fixed: bool) -> tuple[EdgeRule, ...]:
    """Return every rule that limits the rounding of the top edge, the strictest first.

    Parameters
    ----------
    piece
        Its own rounding is not looked at.
    hole_is_fixed
        Whether the hole stays where it is; one that is placed by us moves inward instead.
    """
    solid = solid_of(piece, _SAGITTA_MM, inscribed=True)
    face = offset(solid.outline, -solid.piece.body_mm * solid.lean)
    rules = [_height(solid), *_land(solid, face)]
    if hole_is_fixed and piece.hole is not None:
        rules.append(_hole_wall(solid, face))
    curve = _convex_curve(face)
    rules += [curve] if curve else []
    neck = _neck(face, min(rule.limit_mm for rule in rules))
    rules += [neck] if neck else []
    return tuple(sorted(rules, key=lambda r: (r.limit_mm, r.name)))


def usable(limit_mm: float) -> float:
    """Return a limit as a figure that may be asked for: rounded down to 0.01 mm, at least 0."""
    return max(0.0, math.floor((limit_mm + _ROUNDING_MM) * 100) / 100)


def fillet_limit(solid: Solid) -> tuple[float, str]:
    """Return the largest inside fillet that leaves half of every wall straight, and why.

    A judgement: at most half the height of the level (and the land or gap at its foot is then
    narrowed by twice the fillet).
    """
    heights = [abs(level.height_mm) for level in solid.piece.levels]
    if not heights:
        return 0.0, "no design stands on the face"
    return min(heights) / 2, f"half of the least height, {min(heights):g} mm"


def _height(solid: Solid) -> EdgeRule:
    body = solid.piece.body_mm
    floors = []
    for floor, region in solid.sunk:
        over, _ = parts_at_rim(region, solid.outline)
        if not over.is_empty:
            floors.append((floor, over))
    left, _, right, top = solid.outline.bounds
    if not floors:
        text = f"the wall is {body:g} mm high: the thickness of the body"
        return EdgeRule("height", body, ((left + right) / 2, top), text)
    floor, region = min(floors, key=lambda pair: pair[0])
    spot = region.intersection(solid.outline.boundary.buffer(0.01)).representative_point()
    text = (
        f"the sunk design runs out over the rim here: the edge is that of its floor, "
        f"{floor:g} mm above the back"
    )
    return EdgeRule("sunk-floor", floor, (spot.x, spot.y), text)


def _land(solid: Solid, face: Region) -> list[EdgeRule]:
    """Return the rules of the land between the rim and the designs that keep off it."""
    rules = []
    body, foot = solid.piece.body_mm, solid.piece.fillet_mm
    for kind, levels in (("raised", solid.raised), ("sunk", solid.sunk)):
        for height, region in levels:
            _, clear = parts_at_rim(region, face)
            if clear.is_empty:
                continue
            stands_out = (height - body) * solid.lean + foot if kind == "raised" else 0.0
            away = float(shapely.distance(face.boundary, clear)) - stands_out
            spot = _far_end(shapely.shortest_line(face.boundary, clear))
            text = f"the land between the rim and the {kind} design is {max(away, 0):.2f} mm here"
            rules.append(EdgeRule("land", max(away, 0.0), spot, text))
    return rules


def _hole_wall(solid: Solid, face: Region) -> EdgeRule:
    hole = solid.piece.hole
    assert hole is not None
    reach = hole.diameter_mm / 2 + solid.piece.body_mm * solid.lean
    wall = max(0.0, float(shapely.distance(face.boundary, shapely.Point(hole.at))) - reach)
    text = f"the wall between hole and rim is {wall:.2f} mm at the face"
    spot = _far_end(shapely.shortest_line(shapely.Point(hole.at), face.boundary))
    return EdgeRule("hole", wall, spot, text)


def _convex_curve(face: Region) -> EdgeRule | None:
    """Return the rule of the tightest convex curve of an outline, None if it has only corners."""
    best: tuple[float, tuple[float, float]] | None = None
    for polygon in face.geoms:
        for ring in (polygon.exterior, *polygon.interiors):
            found = _tightest(np.asarray(ring.coords)[:-1])
            if found and (best is None or found[0] < best[0]):
                best = found
    if best is None:
        return None
    limit, at = best
    return EdgeRule(
        "convex-curve", limit, at, f"a convex curve of radius {usable(limit):.2f} mm here"
    )


def _tightest(points: Points) -> tuple[float, tuple[float, float]] | None:
    """Return the largest R that no run of the ring folds under, and where it is tightest.

    A run of the ring that turns left by phi over the length s has the radius s/phi; rounded by a
    larger R it folds into a ridge of height (R - s/phi)(1/cos(phi/2) - 1).
    """
    before = points - np.roll(points, 1, axis=0)
    after = np.roll(before, -1, axis=0)
    turn = np.arctan2(
        before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)
    )
    lengths = np.hypot(after[:, 0], after[:, 1])
    share = (lengths + np.roll(lengths, 1)) / 2
    on_curve = (turn > 1e-9) & (turn < _CORNER_RAD)
    if not on_curve.any():
        return None
    bend = np.where(on_curve, turn / np.maximum(share, 1e-12), 0.0)
    low, high = 0.0, float(np.hypot(*np.ptp(points, axis=0)))
    fold = _folds(high, bend, turn, share)
    if fold is None:
        return None
    for _ in range(40):
        middle = (low + high) / 2
        found = _folds(middle, bend, turn, share)
        if found is None:
            low = middle
        else:
            high, fold = middle, found
    spot, radius = fold
    # a curve that turns far folds as soon as R passes its radius: that radius is the figure to name
    limit = radius if 0 <= low - radius < _NEAR_MM else low
    return limit, (float(points[spot, 0]), float(points[spot, 1]))


def _folds(
    radius: float,
    bend: NDArray[np.float64],
    turn: NDArray[np.float64],
    share: NDArray[np.float64],
) -> tuple[int, float] | None:
    """Return the middle vertex and the radius of a run that folds under a radius, else None."""
    tight = bend > 1 / radius
    if not tight.any():
        return None
    start = int(np.argmin(tight)) if not tight.all() else 0
    mask = np.roll(tight, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    turns, shares = np.roll(turn, -start), np.roll(share, -start)
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        phi, length = float(turns[low:high].sum()), float(shares[low:high].sum())
        ridge = math.inf if phi >= math.pi else 1 / math.cos(phi / 2) - 1
        if (radius - length / phi) * ridge > _FOLD_MM:
            return int((low + high) // 2 + start) % len(turn), length / phi
    return None


def _neck(face: Region, below_mm: float) -> EdgeRule | None:
    """Return the rule of the narrowest neck or limb if it is narrower than twice `below_mm`."""
    spot = _thin_place(face, below_mm)
    if spot is None:
        return None
    low, high = 0.0, below_mm
    for _ in range(_STEPS):
        middle = (low + high) / 2
        found = _thin_place(face, middle)
        if found is None:
            low = middle
        else:
            high, spot = middle, found
    text = f"the metal is {2 * low:.2f} mm wide here: the roundings of both sides meet"
    return EdgeRule("neck", low, spot, text)


def _thin_place(face: Region, radius: float) -> tuple[float, float] | None:
    """Return a place where a disc of a radius does not pass, tips left out."""
    if radius < 1e-3:
        return None
    core = face.buffer(-radius, quad_segs=16)
    opened = core.buffer(radius, quad_segs=16)
    missed = face.difference(opened.buffer(radius, quad_segs=8))
    sharp = shapely.MultiPoint(_sharp_corners(face))
    for part in shapely.get_parts(missed):
        if part.area < _SCRAP:
            continue
        contacts = shapely.get_num_geometries(
            shapely.union_all(
                shapely.get_parts(part.buffer(1e-3).intersection(opened.buffer(radius)))
            )
        )
        is_tip = contacts == 1 and bool(part.buffer(1e-6).intersects(sharp))
        if not is_tip:
            point = part.representative_point()
            return point.x, point.y
    return _parting(face, core)


def _parting(face: Region, core: shapely.Geometry) -> tuple[float, float] | None:
    """Return the middle between two parts of a core that belong to one polygon of the face."""
    for polygon in face.geoms:
        parts = [p for p in shapely.get_parts(core) if polygon.contains(p.representative_point())]
        if len(parts) > 1:
            parts.sort(key=lambda p: -p.area)
            rest = shapely.MultiPolygon(parts[1:])
            middle = shapely.shortest_line(parts[0], rest).centroid
            return middle.x, middle.y
    return None


def _far_end(line: shapely.Geometry) -> tuple[float, float]:
    x, y = shapely.get_coordinates(line)[-1]
    return float(x), float(y)


def _sharp_corners(face: Region) -> NDArray[np.float64]:
    found = [np.empty((0, 2))]
    for polygon in face.geoms:
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.asarray(ring.coords)[:-1]
            before = points - np.roll(points, 1, axis=0)
            after = np.roll(before, -1, axis=0)
            turn = np.arctan2(
                before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0],
                (before * after).sum(axis=1),
            )
            found.append(points[turn > _TIP_RAD])
    return np.concatenate(found)
