"""Artwork whose halves are alike gets halves that are exactly alike, other artwork does not."""

import numpy as np
import pytest
import shapely

from tests.fit.shapes import circle, polygon, region, rounded_rectangle, sampled, star
from tracer.curves.path import Drawing, Path, Shape
from tracer.curves.segments import ComplexArray
from tracer.fit.drawing import fit_drawing
from tracer.model import Fitted

TOLERANCE = 0.1


def fitted(*rings: ComplexArray, regular: bool = True) -> Fitted:
    return fit_drawing(region(*rings), TOLERANCE, pixel_mm=1.0, regular=regular)


def lines(drawing: Drawing) -> shapely.MultiLineString:
    flat = [path.points(0.001) for path in drawing.paths]
    return shapely.MultiLineString(
        [shapely.LinearRing(np.column_stack([z.real, z.imag])) for z in flat]
    )


def asymmetry(result: Fitted, turn: complex) -> float:
    """How far the nodes lie from the mirror image of the nodes; `turn` makes the line level."""
    nodes = np.array([s.start for s in result.drawing.segments]) * np.conj(turn)
    low, high = nodes.imag.min(), nodes.imag.max()
    image = np.conj(nodes) + 1j * (low + high)
    return float(np.abs(nodes[:, None] - image[None, :]).min(axis=1).max())


def said(result: Fitted) -> bool:
    return any("exactly alike about" in sentence for sentence in result.regularised)


@pytest.mark.parametrize("turn", [1j, 1 + 0j])
@pytest.mark.parametrize("points", [5, 7])
def test_a_star_becomes_symmetric(points: int, turn: complex) -> None:
    """Its tip lies on the line; no grid, level side or radius makes it so."""
    ring = sampled(star(points, 80, 35, turn=0.0)) * turn
    free, bound = fitted(ring, regular=False), fitted(ring)
    assert asymmetry(free, turn) > 1e-3  # noise of 0.015 px
    assert asymmetry(bound, turn) < 1e-9
    assert said(bound)
    assert shapely.hausdorff_distance(lines(free.drawing), lines(bound.drawing)) <= TOLERANCE


def test_openings_left_and_right_become_images_of_each_other() -> None:
    outer = sampled(rounded_rectangle(180, 90, 20).mapped(1, -3.3 - 1.7j))
    left = sampled(star(5, 20, 9, turn=0.4).mapped(1, -45 + 0j), seed=2)
    right = -np.conj(sampled(star(5, 20, 9, turn=0.4).mapped(1, -45 + 0j), seed=3))
    result = fitted(outer, left[::-1], right)
    assert said(result)
    assert asymmetry(result, 1j) < 1e-9


def test_a_circle_within_keeps_being_one() -> None:
    result = fitted(sampled(star(5, 80, 50, turn=0.0)), sampled(circle(20), seed=2)[::-1])
    assert said(result)
    hole = list(result.drawing.paths)[1]
    assert hole.circle is not None
    assert hole.circle[0].imag == pytest.approx(0, abs=0.02)


def test_halves_that_differ_by_more_than_the_noise_stay_different() -> None:
    """One corner lies 0.6 px, six tolerances, off the mirror image of the other."""
    shape = polygon([-40 + 0j, 40 + 0j, 30 + 50j, 70j, -30.6 + 50j])
    result = fitted(sampled(shape))
    assert not said(result)
    corner = min(result.drawing.segments, key=lambda s: abs(s.start - (-30.6 + 50j))).start
    assert corner == pytest.approx(-30.6 + 50j, abs=0.05)


def test_the_ruler_sees_a_node_out_of_place() -> None:
    square = polygon([0j, 10 + 0j, 10 + 10j, 0.2 + 10j])
    assert asymmetry(Fitted(_drawing(square), ()), 1j) == pytest.approx(0.2)


def _drawing(path: Path) -> Drawing:

    return Drawing((Shape(path),))
