"""A tip that was drawn blunt stays blunt, a sharp one sharp: told by the area in the pixels."""

import cmath
import math

import numpy as np
import pytest
import shapely

from tests.bench.methods import fitted_drawing
from tests.bench.renderings import alpha
from tests.drawings import TrueDrawing
from tests.rulers import two_sided
from tracer.fit.ring import fit_ring

PIXELS = 100


def wedge(degrees: float, width: float, turn: float) -> list[complex]:
    """Return the corners of a wedge of 40 px whose tip is cut off where it is `width` px wide."""
    half = math.radians(degrees) / 2
    back = 40 * cmath.exp(1j * (math.pi - half))
    cut = complex(-width / (2 * math.tan(half)), -width / 2)
    tip = [cut, cut.conjugate()] if width else [0j]
    spin = cmath.exp(1j * turn)
    return [spin * p + complex(50.3, 49.6) for p in (back, back.conjugate(), *tip)]


def drawn(corners: list[complex]) -> tuple[int, float]:
    """Render and trace; return the number of sides and the largest distance, px."""
    path = "M" + "L".join(f"{z.real:.5f} {z.imag:.5f}" for z in corners) + "Z"
    outline = fitted_drawing(alpha(TrueDrawing("wedge", path, (0, 0, PIXELS)), PIXELS))
    assert outline.drawing is not None
    true = np.array([[z.real, z.imag] for z in corners])
    return outline.nodes, two_sided(outline.rings, [true]).largest


@pytest.mark.parametrize("turn", [0.1, 1.3, 2.6, 4.0])
@pytest.mark.parametrize("degrees", [25, 40, 60])
@pytest.mark.parametrize("width", [0.0, 1.5])
def test_a_tip_ends_as_it_was_drawn(degrees: float, width: float, turn: float) -> None:
    """An end of width w is w / (2 tan(b / 2)) from where its sides meet: 3.4 px at 25 degrees.

    Sides known to 0.01 px meet within 0.01 / sin(12.5 degrees) = 0.05 px; twice that is allowed.
    """
    sides, off = drawn(wedge(degrees, width, turn))
    assert sides == (4 if width else 3)
    assert off < (0.3 if width else 0.1)  # the slant of so short an end is guessed


def test_an_end_with_no_sides_of_its_own_takes_few_segments() -> None:
    """At 2 px neither end of the blunt tip was found as a corner: a dozen lines followed it.

    An end of 2 px can take one side or two more, as the pixels fall; in most turns it does not.
    """
    found = [drawn(wedge(40, 2.0, turn)) for turn in np.arange(0.1, 6.2, 0.3)]
    assert max(sides for sides, _ in found) <= 6
    assert sum(sides == 4 and off < 0.3 for sides, off in found) >= 0.75 * len(found)


def test_the_ruler_tells_a_blunt_tip_from_a_sharp_one() -> None:
    true, wrong = (
        np.array([[z.real, z.imag] for z in wedge(25, width, 0.1)]) for width in (1.5, 0.0)
    )
    assert two_sided([wrong], [true]).largest == pytest.approx(
        0.75 / math.tan(math.radians(12.5)), abs=0.1
    )


def test_the_round_end_of_a_narrow_stroke_is_no_tip() -> None:
    """Found by throwing strokes together: a path cut the end of this one off, 3 px of it."""
    outer = np.array([
        91.2 + 151.5j, 90.5 + 153.2j, 90.2 + 155j, 90 + 156.1j, 90.2 + 157.9j, 90.7 + 159j,
        91.3 + 159.6j, 90.5 + 159.9j, 89.3 + 160j, 88.2 + 159.5j, 87.8 + 157.1j, 87.7 + 155.8j,
        88.1 + 154.1j, 88.4 + 152.3j, 89.1 + 150.6j, 90.1 + 148.5j, 91.2 + 146.4j, 92.5 + 144.3j,
        93.2 + 143.3j, 93.4 + 142.7j, 94.1 + 142.5j, 94.7 + 142.6j, 95.3 + 142.8j, 95.9 + 143.2j,
        95.8 + 143.8j, 95.3 + 144.2j, 94.6 + 145.2j, 93.7 + 146.8j, 92.8 + 148.3j, 91.8 + 149.8j,
    ])  # fmt: skip
    path = fit_ring(outer, 0.22).path(0.22)
    flat = path.points(0.01)
    line = shapely.LinearRing(np.column_stack([flat.real, flat.imag]))
    left_out = shapely.distance(shapely.points(outer.real, outer.imag), line).max()
    assert left_out < 2 * 0.22 + 1


def test_the_sides_of_a_narrow_stroke_stay_parallel() -> None:
    """Found by throwing strokes together: both sides of this one ran to the middle of its end."""
    outer = np.array([
        74.5 + 76.6j, 76.9 + 77.0j, 79.2 + 77.4j, 81.6 + 77.7j, 84.0 + 78.0j, 86.3 + 78.4j,
        88.7 + 78.8j, 90.5 + 79.0j, 91.1 + 79.1j, 91.6 + 79.2j, 92.2 + 79.2j, 92.8 + 79.3j,
        93.4 + 79.5j, 94.0 + 79.6j, 94.6 + 79.5j, 95.3 + 79.7j, 95.9 + 80.0j, 95.8 + 80.7j,
        95.2 + 80.9j, 94.6 + 81.2j, 94.1 + 81.4j, 93.6 + 81.8j, 93.0 + 81.6j, 92.4 + 81.5j,
        91.8 + 81.5j, 91.2 + 81.5j, 90.7 + 81.3j, 90.1 + 81.2j, 89.5 + 81.2j, 87.1 + 80.8j,
        84.8 + 80.5j, 82.4 + 80.1j, 80.0 + 79.7j, 77.7 + 79.4j, 75.3 + 79.0j, 72.9 + 78.7j,
        70.6 + 78.2j, 68.2 + 78.0j, 65.8 + 77.6j, 63.5 + 77.3j, 61.1 + 76.9j, 58.8 + 76.5j,
        56.4 + 76.2j, 54.2 + 75.3j, 55.6 + 73.7j, 58.0 + 74.2j, 60.4 + 74.5j, 62.7 + 74.9j,
        65.1 + 75.2j, 67.5 + 75.5j, 69.8 + 75.9j, 72.2 + 76.2j,
    ])  # fmt: skip
    path = fit_ring(outer, 0.22).path(0.22)
    flat = path.points(0.01)
    line = shapely.LinearRing(np.column_stack([flat.real, flat.imag]))
    sides = outer[outer.real < 93]  # its end is cut off aslant from there on
    assert shapely.distance(shapely.points(sides.real, sides.imag), line).max() < 2 * 0.22
