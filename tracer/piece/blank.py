"""The blank: what the artwork is set on."""

import cmath
import math
from dataclasses import dataclass
from itertools import pairwise

import shapely

from tracer.curves.path import Drawing, Path, Shape
from tracer.curves.regions import as_region
from tracer.curves.segments import Arc, Cubic, Line
from tracer.errors import UsageError
from tracer.model import Region

_OVAL_PARTS = 16
"""Cubics of an oval: the radial error of 16 is below 2e-8 of the half axis (Dokken et al. 1990)."""


@dataclass(frozen=True, slots=True)
class Disc:
    """A round blank."""

    diameter_mm: float


@dataclass(frozen=True, slots=True)
class Oval:
    """An elliptical blank."""

    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A rectangular blank with rounded corners."""

    width_mm: float
    height_mm: float
    radius_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Grown:
    """The silhouette of the artwork, its openings filled, grown by a margin."""

    margin_mm: float


@dataclass(frozen=True, slots=True)
class Silhouette:
    """No blank: the silhouette of the artwork is the piece."""


BlankKind = Disc | Oval | Rectangle | Grown | Silhouette


def drawn_blank(kind: Disc | Oval | Rectangle) -> Drawing:
    """Return the outline of a blank about (0, 0)."""
    match kind:
        case Disc(diameter):
            return Drawing((Shape(circle(0j, diameter / 2)),))
        case Oval(width, height):
            return Drawing((Shape(_ellipse(width / 2, height / 2)),))
        case Rectangle(width, height, radius):
            return Drawing((Shape(_rounded(width / 2, height / 2, radius)),))


def grown_blank(kind: Disc | Oval | Rectangle, stock_mm: float) -> Drawing | None:
    """Return the outline of a blank grown by `stock_mm`; None where no exact form exists."""
    match kind:
        case Disc(diameter):
            return drawn_blank(Disc(diameter + 2 * stock_mm))
        case Rectangle(width, height, radius):
            return drawn_blank(
                Rectangle(width + 2 * stock_mm, height + 2 * stock_mm, radius + stock_mm)
            )
        case Oval():
            return None


def circle(centre: complex, radius: float) -> Path:
    """Return a whole circle as two arcs, counter-clockwise."""
    right, left = centre + radius, centre - radius
    return Path((Arc(right, left, math.pi), Arc(left, right, math.pi)))


def grown_silhouette(artwork: Region, margin_mm: float) -> Region:
    """Return the silhouette of an artwork, openings filled, grown by a margin, as one piece.

    Raises
    ------
    UsageError
        The parts of the artwork stay apart; the message names a margin that joins them.
    """
    solid = as_region(shapely.union_all([shapely.Polygon(p.exterior) for p in artwork.geoms]))
    grown = _filled(solid, margin_mm)
    if len(grown.geoms) == 1:
        return grown
    low, high = margin_mm, margin_mm + _extent(solid)
    for _ in range(40):
        middle = (low + high) / 2
        one = len(_filled(solid, middle).geoms) == 1
        low, high = (low, middle) if one else (middle, high)
    enough = math.ceil(high * 100) / 100
    raise UsageError(
        f"grown by {margin_mm:g} mm the artwork stays in {len(grown.geoms)} pieces",
        hint=f"--blank outline:+{enough:g}mm joins them, or take a disc",
        subject="--blank",
    )


def _filled(solid: Region, margin_mm: float) -> Region:
    grown = solid.buffer(margin_mm, quad_segs=arc_steps(margin_mm))
    parts = as_region(grown).geoms
    return as_region(shapely.union_all([shapely.Polygon(p.exterior) for p in parts]))


def arc_steps(radius_mm: float, sagitta_mm: float = 0.004) -> int:
    """Return the steps a quarter turn that keep an arc of a radius within a sagitta."""
    if radius_mm <= sagitta_mm:
        return 1
    return max(2, math.ceil(math.pi / (4 * math.acos(1 - sagitta_mm / radius_mm))))


def _extent(shape: Region) -> float:
    left, bottom, right, top = shape.bounds
    return math.hypot(right - left, top - bottom)


def _ellipse(a: float, b: float) -> Path:
    step = 2 * math.pi / _OVAL_PARTS
    handle = 4 / 3 * math.tan(step / 4)

    def at(angle: float) -> tuple[complex, complex]:
        unit = cmath.exp(1j * angle)
        return complex(a * unit.real, b * unit.imag), complex(-a * unit.imag, b * unit.real)

    knots = [at(k * step) for k in range(_OVAL_PARTS)]
    knots.append(knots[0])
    return Path(
        tuple(Cubic(p, p + handle * tp, q - handle * tq, q) for (p, tp), (q, tq) in pairwise(knots))
    )


def _rounded(a: float, b: float, radius: float) -> Path:
    corners = [complex(a, -b), complex(a, b), complex(-a, b), complex(-a, -b)]
    ways = [1j, -1 + 0j, -1j, 1 + 0j]  # of the side that leaves each corner
    segments: list[Line | Arc] = []
    for index, (corner, way) in enumerate(zip(corners, ways, strict=True)):
        arrive = ways[index - 1]
        start = corner - arrive * radius
        end = corner + way * radius
        if radius > 0:
            segments.append(Arc(start, end, math.pi / 2))
        side_end = corners[(index + 1) % 4] - way * radius
        if abs(side_end - end) > 1e-9:
            segments.append(Line(end, side_end))
    return Path(tuple(segments))
