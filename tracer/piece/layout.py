"""Artwork on the blank: size, turn, place, and what happens at the rim."""

import cmath
import math

import numpy as np
import shapely

from tracer.curves.path import Drawing
from tracer.curves.regions import as_region
from tracer.model import Points, Region
from tracer.piece.solid import offset

_STEPS = 40


def placed(drawing: Drawing, at: tuple[float, float], turn_deg: float) -> Drawing:
    """Return a drawing with the middle of its box at a point, turned counter-clockwise about it."""
    left, bottom, right, top = drawing.bounds
    middle = complex(left + right, bottom + top) / 2
    turn = cmath.exp(1j * math.radians(turn_deg)) if turn_deg else 1 + 0j
    return drawing.mapped(turn, complex(*at) - turn * middle)


def largest_width(points: Points, at: tuple[float, float], turn_deg: float, room: Region) -> float:
    """Return the largest width of an artwork that lies within `room`; 0 if none does.

    Parameters
    ----------
    points
        (N, 2), the corners of its outline in any unit, y up.
    at, turn_deg
        Where its middle goes and how it is turned, as `placed` does.
    room
        Where it may lie.
    """
    low_corner, high_corner = points.min(axis=0), points.max(axis=0)
    width = float(high_corner[0] - low_corner[0])
    unit = (points - (low_corner + high_corner) / 2) / width
    angle = math.radians(turn_deg)
    turned = unit @ np.array(
        [[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]]
    )
    hull = shapely.MultiPoint(turned).convex_hull
    corners = shapely.get_coordinates(hull)
    low, high = 0.0, 4 * max(room.bounds[2] - room.bounds[0], room.bounds[3] - room.bounds[1])
    for _ in range(_STEPS):
        middle = (low + high) / 2
        shape = shapely.MultiPoint(corners * middle + np.array(at)).convex_hull
        low, high = (middle, high) if room.contains(shape) else (low, middle)
    return low


def kept_in(design: Region, outline: Region, margin_mm: float) -> Region:
    """Return a design cut off at a margin inside the outline of the blank."""
    return as_region(design.intersection(offset(outline, -margin_mm)))


def overhang_mm2(design: Region, outline: Region) -> float:
    """Return the area of a design that lies outside the blank."""
    return float(design.difference(outline).area)


def parts_at_rim(design: Region, outline: Region) -> tuple[Region, Region]:
    """Return the parts of a design that run over or onto the rim, and those that keep off it."""
    inside = outline.buffer(-1e-3)
    shapely.prepare(inside)
    crossing = [p for p in design.geoms if not inside.contains(p)]
    clear = [p for p in design.geoms if inside.contains(p)]
    return shapely.MultiPolygon(crossing), shapely.MultiPolygon(clear)
