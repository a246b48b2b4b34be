"""What opening takes and closing adds, against closed forms of mathematical morphology.

Serra, "Image Analysis and Mathematical Morphology", 1982: the opening of a square of side s by a
disc of radius r leaves out its four corners, (4 - pi) r^2 together; Steiner's formula gives what
dilation adds, perimeter times r and pi r^2.
"""

import math

import pytest
import shapely

from tests.rules.shapes import region
from tracer.rules.patches import grown, losable

SIDE = 10.0
RADII = [0.25, 0.4, 1.0]
# arcs are polygons of 24 chords a quarter: a chord over an angle a = pi / 48 misses
# r^2 (a - sin a) / 2, the 96 of a disc 0.00224 r^2, which is 0.26 % of (4 - pi) r^2
ARCS = 0.003


@pytest.mark.parametrize("radius", RADII)
def test_opening_of_a_square(radius: float) -> None:
    parts = losable(region(shapely.box(0, 0, SIDE, SIDE)), radius, 0.0, sunk=False)
    assert len(parts) == 4
    assert shapely.area(parts).sum() == pytest.approx((4 - math.pi) * radius**2, rel=ARCS)


@pytest.mark.parametrize("radius", RADII)
def test_closing_of_the_ground_about_a_square(radius: float) -> None:
    """In sunk ink a square of metal stands within a frame of ink: the same corners are lost."""
    frame = shapely.box(-5, -5, SIDE + 5, SIDE + 5).difference(shapely.box(0, 0, SIDE, SIDE))
    parts = losable(region(frame), radius, 0.0, sunk=True)
    assert shapely.area(parts).sum() == pytest.approx((4 - math.pi) * radius**2, rel=ARCS)


@pytest.mark.parametrize("radius", RADII)
def test_steiner(radius: float) -> None:
    plate = shapely.box(0, 0, SIDE, SIDE)
    added = grown(plate, radius).area - plate.area
    assert added == pytest.approx(4 * SIDE * radius + math.pi * radius**2, rel=ARCS)
