"""The hole for a ring or cord: how wide, where, and whether it holds."""

import math
from dataclasses import dataclass

import numpy as np
import shapely

from tracer.curves.regions import as_region
from tracer.model import Region
from tracer.piece.blank import arc_steps

RING_PLAY_MM = 0.5
"""Hole over wire, and ring over the rim: loose enough to move. Common practice, no source."""
CORD_PLAY_MM = 1.0
"""Hole over cord. Common practice, no source."""
WALL_LEAST_MM, WALL_ADVISED_MM = 1.5, 2.0
"""Metal between hole and edge of cast pewter: a judgement."""
_TOUCH_MM = 1e-3
_SLIT_MM = 0.01
RINGS_AWG = (14, 16, 18, 20, 22, 24)


@dataclass(frozen=True, slots=True)
class HoleWish:
    """What the hole is for."""

    kind: str  # diameter | ring | cord | none
    size_mm: float = 0.0  # of the hole, of the wire, of the cord
    label: str = ""  # such as AWG 18


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Where a hole goes; `ear` is metal to add where the piece has no room for it."""

    at: tuple[float, float]
    ear: Region | None = None


def wire_mm(gauge: int) -> float:
    """Return the diameter of a wire of an American wire gauge, ASTM B258.

    The gauges are a geometric series from No. 36 (0.0050 in) to No. 0000 (0.4600 in), 39 steps.

    >>> round(wire_mm(18), 4), round(wire_mm(36), 4)
    (1.0237, 0.127)
    """
    return 0.127 * math.pow(92, (36 - gauge) / 39)


def hole_diameter(wish: HoleWish, least_opening_mm: float) -> float:
    """Return the diameter for a wish; for ring or cord at least what the mould can hold."""
    match wish.kind:
        case "diameter":
            return wish.size_mm
        case "ring":
            return max(_up(wish.size_mm + RING_PLAY_MM), least_opening_mm)
        case "cord":
            return max(_up(wish.size_mm + CORD_PLAY_MM), least_opening_mm)
        case _:
            return 0.0


def ring_inside_mm(wall_mm: float, thickness_mm: float) -> float:
    """Return the least inside diameter of a ring that can move round the rim.

    The ring encloses a section `wall_mm` by `thickness_mm`: its inside is at least the diagonal.

    >>> round(ring_inside_mm(2, 3), 2), round(ring_inside_mm(1.5, 2), 1)
    (4.11, 3.0)
    """
    return math.hypot(wall_mm, thickness_mm) + RING_PLAY_MM


def wall_of(outline: Region, at: tuple[float, float], diameter_mm: float) -> float:
    """Return the metal left between a hole and the nearest edge; negative where it breaks out."""
    point = shapely.Point(at)
    distance = shapely.distance(outline.boundary, point)
    return float(distance if outline.contains(point) else -distance) - diameter_mm / 2


def place_hole(
    outline: Region, x: float, above_y: float, diameter_mm: float, wall_mm: float
) -> Placed:
    """Return the highest place on the vertical through x with the wall kept all round.

    Where there is none above `above_y` (the centroid: hung from below it, a piece turns over), an
    ear is added on top of the piece.
    """
    room = outline.buffer(-(diameter_mm / 2 + wall_mm))
    _, bottom, _, top = outline.bounds
    vertical = shapely.LineString([(x, bottom - 1), (x, top + 1)])
    inside = shapely.get_coordinates(room.intersection(vertical)) if not room.is_empty else None
    if inside is not None and len(inside) and inside[:, 1].max() > above_y:
        # to 0.01 mm, downward, so that the wall is kept
        return Placed((round(x, 2) + 0.0, math.floor(float(inside[:, 1].max()) * 100 + 0.1) / 100))
    return _with_ear(outline, x, diameter_mm, wall_mm)


def _with_ear(outline: Region, x: float, diameter_mm: float, wall_mm: float) -> Placed:
    """Return an ear: a disc round the hole, joined to the top of the piece by fillets."""
    reach = diameter_mm / 2 + wall_mm
    _, bottom, _, top = outline.bounds
    vertical = shapely.LineString([(x, bottom - 1), (x, top + 1)])
    crossed = shapely.get_coordinates(outline.intersection(vertical))
    # the highest metal within the width of the ear carries it
    band = shapely.box(x - reach / 2, bottom, x + reach / 2, top)
    highest = max(
        [float(c[1]) for c in (*crossed, *shapely.get_coordinates(outline.intersection(band)))],
        default=top,
    )
    at = (round(x, 2) + 0.0, round(highest + diameter_mm / 2, 2))
    disc = shapely.Point(at).buffer(reach, quad_segs=arc_steps(reach))
    joined = outline.union(disc)
    closed = joined.buffer(wall_mm, quad_segs=arc_steps(wall_mm)).buffer(
        -wall_mm, quad_segs=arc_steps(wall_mm)
    )
    # of what closing fills, only the fillets at the ear: the rest of the piece stays as drawn
    ear = disc.difference(outline).buffer(_TOUCH_MM)
    fillets = [p for p in shapely.get_parts(closed.difference(joined)) if _borders(p, ear)]
    grown = shapely.union_all([joined, *fillets])
    # flattened arcs that touch leave slits of a few micrometres between them
    grown = grown.buffer(_SLIT_MM, join_style="mitre").buffer(-_SLIT_MM, join_style="mitre")
    return Placed(at, as_region(grown))


def _borders(part: shapely.Geometry, ear: shapely.Geometry) -> bool:
    """Return whether a part lies along an ear, not just at a point of it."""
    return float(shapely.length(shapely.boundary(part).intersection(ear))) > 10 * _TOUCH_MM


def clash_mm(design: Region, at: tuple[float, float], diameter_mm: float) -> float:
    """Return how deep a hole cuts into a design; 0 where it clears it."""
    if design.is_empty:
        return 0.0
    point = shapely.Point(at)
    if design.contains(point):
        return float(shapely.distance(design.boundary, point)) + diameter_mm / 2
    return max(0.0, diameter_mm / 2 - float(shapely.distance(design, point)))


def gauge_table() -> np.ndarray:
    """Return (gauge, diameter in mm) of the usual ring wires, shape (N, 2)."""
    return np.array([(gauge, wire_mm(gauge)) for gauge in RINGS_AWG])


def _up(mm: float) -> float:
    return math.ceil(mm * 10 - 1e-9) / 10
