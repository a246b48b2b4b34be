"""What is regular within the noise becomes so exactly, and nothing moves far for it."""

import cmath
import math

import numpy as np
import pytest
import shapely

from tests.fit.shapes import circle, polygon, region, rounded_rectangle, sampled
from tracer.curves.path import Path
from tracer.curves.segments import Arc, ComplexArray, Line
from tracer.fit.drawing import fit_drawing
from tracer.model import Fitted

TOLERANCE = 0.1


def fitted(*rings: ComplexArray, regular: bool = True) -> Fitted:
    return fit_drawing(region(*rings), TOLERANCE, pixel_mm=1.0, regular=regular)


def angles(result: Fitted) -> list[float]:
    """Directions of the lines, radians modulo a half turn."""
    lines = [s for s in result.drawing.segments if isinstance(s, Line)]
    return [cmath.phase(s.end - s.start) % math.pi for s in lines]


def test_level_and_upright_sides_become_exact() -> None:
    ring = sampled(rounded_rectangle(180, 120, 12))
    off = [min(a % (math.pi / 2), -a % (math.pi / 2)) for a in angles(fitted(ring))]
    assert max(off) < 1e-9
    assert "4 straight sides made exactly level or upright" in fitted(ring).regularised


def test_nothing_is_made_regular_when_that_is_off() -> None:
    ring = sampled(rounded_rectangle(180, 120, 12))
    result = fitted(ring, regular=False)
    off = [min(a % (math.pi / 2), -a % (math.pi / 2)) for a in angles(result)]
    assert max(off) > 1e-7  # the noise of 0.015 px over sides of 96 and 156 px
    assert result.regularised == ()


def test_parallel_sides_become_exactly_parallel() -> None:
    result = fitted(sampled(rounded_rectangle(180, 120, 12, 0.3)))
    found = sorted(angles(result))
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    assert found[2] == pytest.approx(found[3], abs=1e-9)
    assert "4 straight sides made exactly parallel to another" in result.regularised


def test_a_side_that_slopes_beyond_the_noise_keeps_its_slope() -> None:
    """0.6 px of slope in 100 px are six tolerances, however level it looks."""
    shape = polygon([0j, 100 + 0j, 100 + 50.6j, 50j])
    found = angles(fitted(sampled(shape)))
    assert min(abs(a - math.atan2(0.6, 100)) for a in found) < 2e-4


def test_equal_radii_become_exactly_equal() -> None:
    result = fitted(sampled(rounded_rectangle(180, 120, 12)))
    radii = [s.radius for s in result.drawing.segments if isinstance(s, Arc)]
    assert max(radii) - min(radii) < 1e-6
    assert radii[0] == pytest.approx(12, abs=0.05)
    assert "4 arcs given exactly the radius shared with another" in result.regularised


def test_radii_that_differ_stay_different() -> None:
    first, second = circle(20.0, 0j), circle(20.5, 60 + 0j)
    shapes = shapely.MultiPolygon([region(sampled(p)).geoms[0] for p in (first, second)])
    result = fit_drawing(shapes, TOLERANCE, pixel_mm=1.0)
    found = [path.circle for path in result.drawing.paths]
    assert [c[1] for c in found if c] == pytest.approx([20.0, 20.5], abs=0.02)


def test_concentric_circles_get_one_centre() -> None:
    result = fitted(sampled(circle(50, 3 + 4j)), sampled(circle(30, 3 + 4j), seed=2)[::-1])
    outer, inner = (path.circle for path in result.drawing.paths)
    assert outer is not None
    assert inner is not None
    assert abs(outer[0] - inner[0]) < 1e-9
    assert "2 circles given exactly the centre shared with another" in result.regularised


def test_circles_that_are_not_concentric_stay_so() -> None:
    result = fitted(sampled(circle(50, 3 + 4j)), sampled(circle(30, 3.5 + 4j), seed=2)[::-1])
    outer, inner = (path.circle for path in result.drawing.paths)
    assert outer is not None
    assert inner is not None
    assert abs(outer[0] - inner[0]) == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("turn", [0.0, 0.002, 0.3])
def test_nothing_moves_by_more_than_the_tolerance(turn: float) -> None:
    ring = sampled(rounded_rectangle(180, 120, 12, turn))
    free, bound = fitted(ring, regular=False), fitted(ring)
    one, other = (_line(next(r.drawing.paths)) for r in (free, bound))
    assert shapely.hausdorff_distance(one, other) <= TOLERANCE


def _line(path: Path) -> shapely.LinearRing:
    z = path.points(0.001)
    return shapely.LinearRing(np.column_stack([z.real, z.imag]))
