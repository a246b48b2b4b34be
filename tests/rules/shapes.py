"""Shapes of known width, and a ruler of the tests' own."""

import math
from typing import Any

import numpy as np
import shapely
from shapely import affinity

from tracer.model import Region
from tracer.process import Limit, Limits
from tracer.settings import Grade, Repairs, Role, Settings, Size, SizeBy


def region(*shapes: Any) -> Region:
    return shapely.MultiPolygon(list(shapely.get_parts(shapely.union_all(list(shapes)))))


def limits(
    metal: float = 0.8, gap: float = 0.8, island: float = 1.6, opening: float = 0.8
) -> Limits:
    """Limits with the asked value as advised, 5/8 of it as least (as most of the processes)."""
    return Limits(
        *(
            Limit(name, value * 0.625, value, value * 1.25, "J", "L", "for tests")
            for name, value in zip(
                ("line_width", "gap_width", "island", "recess_opening"),
                (metal, gap, island, opening),
                strict=True,
            )
        )
    )


def wanted(role: Role = Role.RAISED, grade: Grade = Grade.ADVISED, **repairs: Any) -> Settings:
    size = Size(SizeBy.WIDTH, 40)
    return Settings(size=size, role=role, grade=grade, repairs=Repairs(**repairs))


def star(points: int, angle_deg: float, radius: float = 10.0, turn: float = 0.1) -> Any:
    """A star whose points have an angle: inner radius from the law of sines."""
    half = math.radians(angle_deg) / 2
    step = math.pi / points
    inner = radius * math.sin(half) / math.sin(math.pi - half - step)
    corners = [
        (r * math.cos(step * k + turn), r * math.sin(step * k + turn))
        for k in range(2 * points)
        for r in [radius if k % 2 == 0 else inner]
    ]
    return region(shapely.Polygon(corners))


def dumbbell(neck: float, length: float = 3.0) -> Any:
    return region(
        shapely.box(0, 0, 5, 5),
        shapely.box(5 + length, 0, 10 + length, 5),
        shapely.box(4.9, 2.5 - neck / 2, 5.1 + length, 2.5 + neck / 2),
    )


def discs(apart: float, radius: float = 5.0) -> Any:
    return region(
        shapely.Point(-radius - apart / 2, 0).buffer(radius, quad_segs=256),
        shapely.Point(radius + apart / 2, 0).buffer(radius, quad_segs=256),
    )


def wedge(angle_deg: float, length: float = 10.0) -> Any:
    half = length * math.tan(math.radians(angle_deg) / 2)
    return region(shapely.Polygon([(0, 0), (length, -half), (length, half)]))


def ring(outer: float, inner: float, off: float = 0.0) -> Any:
    hole = shapely.Point(off, 0).buffer(inner, quad_segs=256)
    return region(shapely.Point(0, 0).buffer(outer, quad_segs=256).difference(hole))


def comb(line: float, gap: float, teeth: int = 8) -> Any:
    pitch = line + gap
    back = shapely.box(0, -3, pitch * teeth - gap, 0.01)
    return region(back, *(shapely.box(k * pitch, 0, k * pitch + line, 6) for k in range(teeth)))


def turned(shape: Any, quarter: int) -> Any:
    return affinity.rotate(shape, 90 * quarter, origin=(0, 0))


def thinnest(shape: Any, samples: int = 4000, inside: bool = True) -> float:
    """Measure the least width by brute force: rays inwards from points on the boundary.

    Counts only where the far side faces back within 30 degrees, as two sides do. Rays near corners
    (within 1.5 of the width found) would measure the corner and are left out.
    """
    boundary = shapely.boundary(shape)
    places = np.linspace(0, boundary.length, samples, endpoint=False) + 0.001237
    points = shapely.get_coordinates(shapely.line_interpolate_point(boundary, places))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(boundary, places + 1e-4))
    along = ahead - points
    size = np.hypot(*along.T)
    keep = (size > 5e-5) & (size < 2e-4)
    points, along = points[keep], along[keep] / size[keep, None]
    normal = np.column_stack([-along[:, 1], along[:, 0]])
    shapely.prepare(shape)
    probe = points + 1e-4 * normal
    wrong = shapely.contains_xy(shape, probe[:, 0], probe[:, 1]) != inside
    normal[wrong] *= -1
    rays = shapely.linestrings(np.stack([points + 1e-5 * normal, points + 6 * normal], axis=1))
    hits = shapely.intersection(rays, boundary)
    width = shapely.distance(shapely.points(points), hits)  # nan where nothing is hit
    middle = points + normal * (width / 2)[:, None]
    known = np.isfinite(width)
    clear = shapely.distance(shapely.points(middle[known]), boundary)
    facing = width[known][clear > 0.49 * width[known]]
    return float(facing.min()) if len(facing) else math.inf
