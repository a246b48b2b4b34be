"""Shapes with exact or nearly exact box-filter coverage, and small measures of rings."""

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Coverage, Points

Floats = NDArray[np.float64]
FINE = 32
"""Samples a pixel on each axis, not the way of the package: the area is off by about
length / (FINE * sqrt(12) * sqrt(FINE)) < 0.002 px2 in a pixel."""


def sampled(inside: Callable[[Floats, Floats], NDArray[np.bool_]], size: int = 64) -> Coverage:
    """Return the coverage of a shape given by a formula, in 8 bits."""
    at = (np.arange(size * FINE) + 0.5) / FINE
    mask = inside(at[None, :], at[:, None])
    share = mask.reshape(size, FINE, size, FINE).mean(axis=(1, 3))
    return eight_bit(share)


def eight_bit(share: Floats) -> Coverage:
    """Return coverage rounded to 8 bits, as files hold it."""
    values = (np.round(share * 255) / 255).astype(np.float32)
    values.setflags(write=False)
    return Coverage(values)


def disc(radius: float, x: float, y: float, size: int = 64) -> Coverage:
    """Return a disc."""
    return sampled(lambda u, v: (u - x) ** 2 + (v - y) ** 2 <= radius**2, size)


def clipped(shape: shapely.Geometry, size: int) -> Coverage:
    """Return the exact coverage of any shape: its intersection with every pixel (GEOS)."""
    rows, columns = np.indices((size, size))
    pixels = shapely.box(columns, rows, columns + 1, rows + 1)
    shapely.prepare(shape)
    return eight_bit(shapely.area(shapely.intersection(pixels, shape)))


def signed_area(ring: Points) -> float:
    """Return the shoelace area; negative for a ring that runs counter-clockwise as seen."""
    x, y = ring.T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2


def cross_free(rings: tuple[Points, ...]) -> bool:
    """Say whether rings are simple and meet nowhere, by shapely ring by ring."""
    lines = np.array([shapely.LinearRing(ring) for ring in rings], dtype=object)
    if not all(line.is_simple for line in lines):
        return False
    tree = shapely.STRtree(lines)
    a, b = tree.query(lines, predicate="intersects")
    return bool(np.all(a == b))


def circle_through(ring: Points) -> tuple[Floats, float]:
    """Return centre and radius of the least-squares circle (Kasa's linear form)."""
    middle = ring.mean(axis=0)
    p = ring - middle
    matrix = np.column_stack([2 * p, np.ones(len(p))])
    (x, y, c), *_ = np.linalg.lstsq(matrix, (p**2).sum(axis=1), rcond=None)
    return middle + np.array([x, y]), float(np.sqrt(c + x * x + y * y))
