"""Rings to regions: depth, order, and rings that cross."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tests.contour.shapes import signed_area
from tracer.contour.extract import extract_rings
from tracer.contour.nest import nest_rings
from tracer.curves.regions import as_region
from tracer.model import Coverage, Frame, Points, Region

FRAME = Frame(pitch_mm=0.1, rows=100)


def circle(radius: float, x: float = 50.0, y: float = 50.0, n: int = 24) -> Points:
    a = np.arange(n) * 2 * np.pi / n
    return np.column_stack([x + radius * np.cos(a), y + radius * np.sin(a)])


def nested(*rings: Points) -> Region:
    region = nest_rings(rings, FRAME)
    assert region.is_valid
    assert all(piece.exterior.is_ccw for piece in region.geoms)
    assert not any(hole.is_ccw for piece in region.geoms for hole in piece.interiors)
    return region


def test_no_rings_no_region() -> None:
    assert nested().is_empty
    assert nested(np.array([[0.0, 0.0], [1.0, 1.0]])).is_empty


def test_frame_turns_y_up_and_scales() -> None:
    region = nested(np.array([[10.0, 10.0], [30.0, 10.0], [30.0, 20.0], [10.0, 20.0]]))
    assert region.bounds == pytest.approx((1.0, 8.0, 3.0, 9.0))


@pytest.mark.parametrize("turn", [1, -1])
def test_depth_decides_not_direction(turn: int) -> None:
    region = nested(circle(40), circle(30)[::turn], circle(20), circle(10)[::turn])
    assert [len(piece.interiors) for piece in region.geoms] == [1, 1]
    # a polygon of 24 sides holds 24/2 sin(2 pi / 24) r^2
    share = 12 * np.sin(np.pi / 12) * 0.01
    assert region.area == pytest.approx(share * (1600 - 900 + 400 - 100))


def test_a_hole_belongs_to_the_piece_about_it() -> None:
    region = nested(circle(20, 25), circle(20, 75), circle(5, 20), circle(5, 30), circle(5, 75))
    assert [len(piece.interiors) for piece in region.geoms] == [2, 1]


def test_pieces_stand_in_reading_order() -> None:
    places = [(70, 80), (20, 80), (70, 20), (20, 20)]
    region = nested(*(circle(5, x, y) for x, y in places))
    found = [(round(p.centroid.x * 10), round(100 - p.centroid.y * 10)) for p in region.geoms]
    assert found == [(20, 20), (70, 20), (20, 80), (70, 80)]


@given(st.permutations(range(6)))
def test_order_of_rings_does_not_matter(order: list[int]) -> None:
    rings = [circle(45), circle(40), circle(30), circle(5), circle(3), circle(2, 90, 90)]
    assert nested(*(rings[i] for i in order)).equals_exact(nested(*rings), tolerance=0)


@pytest.mark.slow
def test_thousands_of_nested_rings() -> None:
    region = nested(*(circle(49 - 0.03 * i, n=12) for i in range(1500)))
    assert len(region.geoms) == 750


def test_a_ring_that_crosses_itself_gives_its_odd_faces() -> None:
    bow = np.array([[0.0, 0.0], [20.0, 20.0], [20.0, 0.0], [0.0, 20.0]])
    assert nested(bow).area == pytest.approx(2 * 100 * 0.01)


def test_rings_that_cross_leave_what_is_enclosed_once() -> None:
    a = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]])
    region = nested(a, a + 10)
    assert region.area == pytest.approx((400 + 400 - 2 * 100) * 0.01)


def test_rings_that_touch_at_a_corner_stay_two_pieces() -> None:
    a = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]])
    assert len(nested(a, a + 20).geoms) == 2


@given(arrays(np.float32, (12, 12), elements=st.sampled_from([0.0, 1.0, 0.4, 0.6])))
def test_level_lines_nest_to_their_signed_area(values: np.ndarray) -> None:
    rings = extract_rings(Coverage(values))
    region = nest_rings(rings, Frame(1.0, 12))
    assert region.is_valid
    assert region.area == pytest.approx(-sum(map(signed_area, rings)), abs=1e-9)
    assert sum(1 + len(piece.interiors) for piece in region.geoms) == len(rings)


@given(st.lists(st.tuples(*[st.integers(0, 6)] * 2), min_size=3, max_size=12))
def test_any_closed_line_gives_a_valid_region(corners: list[tuple[int, int]]) -> None:
    """Against the symmetric difference of triangles in a fan: the even-odd rule by definition."""
    ring = np.array(corners, dtype=float)
    region = nest_rings((ring,), Frame(1.0, 0))
    assert region.is_valid
    expected = shapely.MultiPolygon()
    for a, b in pairwise(corners[1:]):
        triangle = shapely.Polygon([(x, -y) for x, y in (corners[0], a, b)])
        expected = as_region(expected.symmetric_difference(triangle.buffer(0)))
    assert region.symmetric_difference(expected).area == pytest.approx(0, abs=1e-9)
