"""Lines, circular arcs and cubic curves.

Points are complex numbers: x is the real part, y the imaginary part, counter-clockwise is
positive. Segments are frozen and compare by value. Each is a map from t in [0, 1] to the plane.
"""

import cmath
import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """A straight segment from `start` to `end`."""

    start: complex
    end: complex

    def at(self, t: FloatArray) -> ComplexArray:
        """Return the points at `t`, shape as `t`."""
        points: ComplexArray = self.start + (self.end - self.start) * np.asarray(t, np.complex128)
        return points

    @property
    def length(self) -> float:
        """Length, exact."""
        return abs(self.end - self.start)

    @property
    def start_tangent(self) -> complex:
        """Unit direction at the start."""
        return _unit(self.end - self.start)

    @property
    def end_tangent(self) -> complex:
        """Unit direction at the end."""
        return _unit(self.end - self.start)

    def mapped(self, a: complex, b: complex) -> "Line":
        """Return the segment under z -> a z + b (a turn, a scaling and a shift)."""
        return Line(a * self.start + b, a * self.end + b)

    def mirrored(self) -> "Line":
        """Return the segment under z -> conj(z): y turns over."""
        return Line(self.start.conjugate(), self.end.conjugate())

    def reversed(self) -> "Line":
        """Return the same points, run the other way."""
        return Line(self.end, self.start)


@dataclass(frozen=True, slots=True)
class Arc:
    """A circular arc from `start` to `end`.

    `sweep` is the angle turned through in radians, positive counter-clockwise, with
    0 < abs(sweep) < 2 pi. Centre and radius follow from it, so they can never disagree with the
    ends. A whole circle is two arcs.
    """

    start: complex
    end: complex
    sweep: float

    @property
    def centre(self) -> complex:
        """Centre of the circle."""
        chord = self.end - self.start
        return self.start + chord / 2 + 1j * chord / (2 * math.tan(self.sweep / 2))

    @property
    def radius(self) -> float:
        """Radius of the circle, positive."""
        return abs(self.end - self.start) / (2 * abs(math.sin(self.sweep / 2)))

    def at(self, t: FloatArray) -> ComplexArray:
        """Return the points at `t`, shape as `t`."""
        centre = self.centre
        points: ComplexArray = centre + (self.start - centre) * np.exp(
            1j * self.sweep * np.asarray(t)
        )
        return points

    @property
    def length(self) -> float:
        """Length, exact."""
        return self.radius * abs(self.sweep)

    @property
    def start_tangent(self) -> complex:
        """Unit direction at the start."""
        return _unit(self.end - self.start) * cmath.exp(-0.5j * self.sweep)

    @property
    def end_tangent(self) -> complex:
        """Unit direction at the end."""
        return _unit(self.end - self.start) * cmath.exp(0.5j * self.sweep)

    def mapped(self, a: complex, b: complex) -> "Arc":
        """Return the segment under z -> a z + b (a turn, a scaling and a shift)."""
        return Arc(a * self.start + b, a * self.end + b, self.sweep)

    def mirrored(self) -> "Arc":
        """Return the segment under z -> conj(z): y turns over."""
        return Arc(self.start.conjugate(), self.end.conjugate(), -self.sweep)

    def reversed(self) -> "Arc":
        """Return the same points, run the other way."""
        return Arc(self.end, self.start, -self.sweep)


@dataclass(frozen=True, slots=True)
class Cubic:
    """A cubic Bezier curve with the control points `start`, `control1`, `control2`, `end`."""

    start: complex
    control1: complex
    control2: complex
    end: complex

    def at(self, t: FloatArray) -> ComplexArray:
        """Return the points at `t`, shape as `t`."""
        t = np.asarray(t)
        s = 1 - t
        points: ComplexArray = (
            s**3 * self.start
            + 3 * s**2 * t * self.control1
            + 3 * s * t**2 * self.control2
            + t**3 * self.end
        )
        return points

    @property
    def length(self) -> float:
        """Length by 16-point Gauss-Legendre.

        Within 0.1 % while the speed stays above a twentieth of its largest (no cusp).
        """
        nodes, weights = _gauss_legendre(16)
        t = (nodes + 1) / 2
        s = 1 - t
        speed = np.abs(
            3 * s**2 * (self.control1 - self.start)
            + 6 * s * t * (self.control2 - self.control1)
            + 3 * t**2 * (self.end - self.control2)
        )
        return float(np.dot(weights, speed) / 2)

    @property
    def start_tangent(self) -> complex:
        """Unit direction at the start; the next control point decides where the first coincides."""
        return _unit(self.control1 - self.start, self.control2 - self.start, self.end - self.start)

    @property
    def end_tangent(self) -> complex:
        """Unit direction at the end; the control point before decides where the last coincides."""
        return _unit(self.end - self.control2, self.end - self.control1, self.end - self.start)

    def mapped(self, a: complex, b: complex) -> "Cubic":
        """Return the segment under z -> a z + b (a turn, a scaling and a shift)."""
        return Cubic(
            a * self.start + b, a * self.control1 + b, a * self.control2 + b, a * self.end + b
        )

    def mirrored(self) -> "Cubic":
        """Return the segment under z -> conj(z): y turns over."""
        return Cubic(
            self.start.conjugate(),
            self.control1.conjugate(),
            self.control2.conjugate(),
            self.end.conjugate(),
        )

    def reversed(self) -> "Cubic":
        """Return the same points, run the other way."""
        return Cubic(self.end, self.control2, self.control1, self.start)


Segment = Line | Arc | Cubic


@cache
def _gauss_legendre(count: int) -> tuple[FloatArray, FloatArray]:
    """Return nodes in (-1, 1) and weights."""
    from numpy.polynomial.legendre import leggauss

    nodes, weights = leggauss(count)
    return np.asarray(nodes), np.asarray(weights)


def _unit(*candidates: complex) -> complex:
    for candidate in candidates:
        size = abs(candidate)
        if size > 0:
            return candidate / size
    return 1 + 0j
