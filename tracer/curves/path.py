"""Closed paths, shapes with holes, and the drawing that they make up."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment


@dataclass(frozen=True)
class Path:
    """A closed path: each segment starts exactly where the one before it ends.

    Metal lies on the left: an outer path runs counter-clockwise, a hole clockwise (y up).
    """

    segments: tuple[Segment, ...]

    def mapped(self, a: complex, b: complex) -> "Path":
        """Return the path under z -> a z + b."""
        return Path(tuple(segment.mapped(a, b) for segment in self.segments))

    def mirrored(self) -> "Path":
        """Return the path with y turned over, run so that metal stays on the left."""
        return Path(tuple(s.mirrored().reversed() for s in reversed(self.segments)))

    def points(self, tolerance: float) -> ComplexArray:
        """Return the vertices of a polygon within `tolerance` of the path, see `flatten`."""
        return np.concatenate([flatten(segment, tolerance) for segment in self.segments])

    @cached_property
    def area(self) -> float:
        """Signed area by Green's theorem, exact; positive when counter-clockwise."""
        return math.fsum(_area_under(segment) for segment in self.segments)

    @property
    def length(self) -> float:
        """Sum of the lengths of the segments."""
        return math.fsum(segment.length for segment in self.segments)

    @property
    def circle(self) -> tuple[complex, float] | None:
        """Centre and radius when the path is one whole circle, else None."""
        arcs = [s for s in self.segments if isinstance(s, Arc)]
        if len(arcs) != len(self.segments) or not arcs:
            return None
        centre, radius = arcs[0].centre, arcs[0].radius
        near = 1e-6 * radius
        same = all(abs(a.centre - centre) < near and abs(a.radius - radius) < near for a in arcs)
        whole = math.isclose(abs(math.fsum(a.sweep for a in arcs)), 2 * math.pi, rel_tol=1e-6)
        return (centre, radius) if same and whole else None


@dataclass(frozen=True)
class Shape:
    """One piece: an outer path and the holes in it."""

    outer: Path
    holes: tuple[Path, ...] = ()

    @property
    def paths(self) -> tuple[Path, ...]:
        """The outer path, then the holes."""
        return (self.outer, *self.holes)


@dataclass(frozen=True)
class Drawing:
    """The fitted result: shapes that do not overlap, in mm, y up."""

    shapes: tuple[Shape, ...]

    @property
    def paths(self) -> Iterator[Path]:
        """Every path of every shape."""
        for shape in self.shapes:
            yield from shape.paths

    @property
    def segments(self) -> Iterator[Segment]:
        """Every segment of every path."""
        for path in self.paths:
            yield from path.segments

    def mapped(self, a: complex, b: complex = 0) -> "Drawing":
        """Return the drawing under z -> a z + b."""
        return Drawing(
            tuple(
                Shape(s.outer.mapped(a, b), tuple(h.mapped(a, b) for h in s.holes))
                for s in self.shapes
            )
        )

    def mirrored(self) -> "Drawing":
        """Return the drawing with y turned over."""
        return Drawing(
            tuple(
                Shape(s.outer.mirrored(), tuple(h.mirrored() for h in s.holes)) for s in self.shapes
            )
        )

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """(x least, y least, x most, y most), exact to rounding.

        Raises ValueError on a drawing without shapes.
        """
        corners = [extremes(s) for shape in self.shapes for s in shape.outer.segments]
        if not corners:
            raise ValueError("a drawing without shapes has no bounds")
        points = np.concatenate(corners)
        return (
            float(points.real.min()),
            float(points.imag.min()),
            float(points.real.max()),
            float(points.imag.max()),
        )

    @property
    def area(self) -> float:
        """Area of metal in mm2, exact (holes count negative by their direction)."""
        return math.fsum(path.area for path in self.paths)


def flatten(segment: Segment, tolerance: float) -> ComplexArray:
    """Return points along a segment, its start included and its end left out.

    The chords stay within `tolerance` of the curve: for an arc by its sagitta
    ``r (1 - cos(sweep / 2n))``, for a cubic by the bound ``max|B''| / (8 n^2)`` on the distance of
    a curve from its chord, with ``max|B''|`` taken at the ends, where it is attained since B'' is
    linear.
    """
    match segment:
        case Line():
            return np.array([segment.start])
        case Arc():
            ratio = min(tolerance / segment.radius, 1.0)
            n = math.ceil(abs(segment.sweep) / (2 * math.acos(1 - ratio)) - 1e-9)
        case Cubic():
            bend = max(
                abs(segment.start - 2 * segment.control1 + segment.control2),
                abs(segment.control1 - 2 * segment.control2 + segment.end),
            )
            n = math.ceil(math.sqrt(6 * bend / (8 * tolerance)) - 1e-9)
    n = max(1, min(n, 4096))
    return segment.at(np.arange(n) / n)


def extremes(segment: Segment) -> ComplexArray:
    """Return the ends of a segment and every point where it turns back in x or y."""
    ends = np.array([segment.start, segment.end])
    match segment:
        case Line():
            return ends
        case Arc():
            centre, radius = segment.centre, segment.radius
            from_start = np.angle(np.array([1, 1j, -1, -1j]) / ((segment.start - centre) / radius))
            turned = (from_start * math.copysign(1, segment.sweep)) % (2 * math.pi)
            inside = turned < abs(segment.sweep)
            return np.concatenate([ends, centre + radius * np.array([1, 1j, -1, -1j])[inside]])
        case Cubic():
            a = segment.end - 3 * segment.control2 + 3 * segment.control1 - segment.start
            b = segment.control2 - 2 * segment.control1 + segment.start
            c = segment.control1 - segment.start
            roots = [*_roots(a.real, 2 * b.real, c.real), *_roots(a.imag, 2 * b.imag, c.imag)]
            t = np.array([root for root in roots if 0 < root < 1], dtype=float)
            return np.concatenate([ends, segment.at(t)])


def polyline_path(points: Iterable[complex]) -> Path:
    """Return the closed path of straight lines through `points` (the last joins the first)."""
    corners = list(points)
    return Path(tuple(Line(p, q) for p, q in zip(corners, corners[1:] + corners[:1], strict=True)))


def _roots(a: float, b: float, c: float) -> FloatArray:
    """Real roots of a t^2 + b t + c."""
    if abs(a) < 1e-14 * max(abs(b), abs(c), 1e-300):
        return np.array([-c / b]) if b != 0 else np.array([])
    inside = b * b - 4 * a * c
    if inside < 0:
        return np.array([])
    q = -0.5 * (b + math.copysign(math.sqrt(inside), b))
    return np.array([q / a] + ([c / q] if q != 0 else []))


def _cross(p: complex, q: complex) -> float:
    return p.real * q.imag - p.imag * q.real


def _area_under(segment: Segment) -> float:
    """Return half the integral of x dy - y dx along a segment."""
    chord = _cross(segment.start, segment.end) / 2
    match segment:
        case Line():
            return chord
        case Arc():
            return chord + segment.radius**2 * (segment.sweep - math.sin(segment.sweep)) / 2
        case Cubic():
            p0, p1, p2, p3 = segment.start, segment.control1, segment.control2, segment.end
            return (
                6 * _cross(p0, p1)
                + 3 * _cross(p0, p2)
                + _cross(p0, p3)
                + 3 * _cross(p1, p2)
                + 3 * _cross(p1, p3)
                + 6 * _cross(p2, p3)
            ) / 20  # Green's theorem on the Bernstein form
