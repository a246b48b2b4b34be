"""Level lines: simple, ordered, with the topology that labelling finds."""

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from numpy.typing import NDArray
from scipy.ndimage import label  # type: ignore[import-untyped] # carries no types
from skimage.measure import euler_number

from tests.contour.shapes import cross_free, signed_area
from tracer.contour.area import Loops, coverage_of, cut_at_pixels
from tracer.contour.extract import extract_rings
from tracer.model import Coverage, Points

Values = NDArray[np.float32]
SHAPES = array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=14)
masks = arrays(np.float32, SHAPES, elements=st.sampled_from([0.0, 1.0]))
TROUBLE = [0.0, 1.0, 0.5, 0.25, 0.75, 0.49999997, 0.50000006, 127 / 255, 128 / 255]
troubled = st.sampled_from([float(np.float32(value)) for value in TROUBLE])
greys = arrays(np.float32, SHAPES, elements=troubled)
Places = set[frozenset[tuple[float, float]]]


def rings_of(values: NDArray[np.floating]) -> tuple[Points, ...]:
    return extract_rings(Coverage(np.ascontiguousarray(values, dtype=np.float32)))


def test_nothing_has_no_rings() -> None:
    assert rings_of(np.zeros((5, 7))) == ()
    assert rings_of(np.full((5, 7), 0.4999)) == ()


def test_a_full_page_is_closed_at_its_border() -> None:
    (ring,) = rings_of(np.ones((4, 6)))
    # marching squares cuts the four corners at the middles of the half pixels about them
    assert shapely.box(0, 0, 6, 4).covers(shapely.Polygon(ring))
    assert signed_area(ring) == pytest.approx(-(24 - 4 * 0.125))


def test_one_pixel_is_a_diamond_about_its_centre() -> None:
    values = np.zeros((3, 3))
    values[1, 1] = 1
    (ring,) = rings_of(values)
    assert sorted(map(tuple, ring)) == [(1.0, 1.5), (1.5, 1.0), (1.5, 2.0), (2.0, 1.5)]


def test_ink_lies_on_the_left_of_the_way_as_seen() -> None:
    values = np.ones((9, 9))
    values[3:6, 3:6] = 0
    outer, hole = rings_of(values)
    # counter-clockwise as seen is negative with y down
    assert signed_area(outer) < 0 < signed_area(hole)


def test_rings_start_alike_in_every_copy() -> None:
    """Turned, mirrored and shifted, the first vertex is the same place of the drawing."""
    values = np.random.default_rng(5).random((12, 15))
    moved: dict[str, tuple[NDArray[np.float64], Callable[[Points], Points]]] = {
        "turned": (np.rot90(values), lambda p: np.column_stack([15 - p[:, 1], p[:, 0]])),
        "mirrored": (values[:, ::-1], lambda p: p * (-1, 1) + (15, 0)),
        "shifted": (np.pad(values, ((3, 0), (2, 1))), lambda p: p - (2, 3)),
    }
    begun = np.array([ring[0] for ring in rings_of(values)])
    for copy, back in moved.values():
        again = back(np.array([ring[0] for ring in rings_of(copy)]))
        assert len(again) == len(begun) > 3
        away = np.hypot(*np.moveaxis(begun[:, None] - again, 2, 0)).min(axis=1)
        # a ring alike to itself, as that of one pixel, has several such vertices
        assert np.mean(away < 1e-6) > 0.9


def test_the_level_lies_between_pixels_by_proportion() -> None:
    values = np.tile(np.array([1, 1, 0.7, 0.2, 0], dtype=np.float32), (6, 1))
    (ring,) = rings_of(values)
    inner = ring[(ring[:, 1] > 1) & (ring[:, 1] < 5) & (ring[:, 0] > 1)]
    # from 0.7 at x = 2.5 to 0.2 at 3.5, 1/2 is at 2.9
    assert inner[:, 0] == pytest.approx(2.9, abs=1e-6)


def test_a_pixel_of_exactly_one_half_does_not_pinch_the_ring() -> None:
    values = np.array([[0, 0, 0, 0], [0, 1, 0.5, 0], [0, 0.5, 1, 0], [0, 0, 0, 0]])
    assert cross_free(rings_of(values))


def test_corners_that_touch_are_joined_in_1_bit_artwork() -> None:
    assert len(rings_of(np.eye(5))) == 1


def test_corners_that_touch_are_parted_where_the_mean_is_low() -> None:
    assert len(rings_of(np.eye(5) * 0.8)) == 5


@given(masks)
def test_rings_are_as_many_as_labelling_counts(values: Values) -> None:
    """Against scipy.ndimage.label and scikit-image: ink by 8 neighbours, ground by 4."""
    rings = rings_of(values)
    mask = np.pad(values > 0, 1)
    pieces = label(mask, structure=np.ones((3, 3)))[1]
    openings = label(~mask)[1] - 1
    areas = np.array([signed_area(ring) for ring in rings])
    assert (np.sum(areas < 0), np.sum(areas > 0)) == (pieces, openings)
    assert pieces - openings == euler_number(mask, connectivity=2)


@given(greys)
def test_rings_are_simple_and_do_not_touch(values: Values) -> None:
    rings = rings_of(values)
    assert cross_free(rings)
    assert all(len(ring) >= 4 for ring in rings)


@given(greys)
def test_pixel_centres_lie_inside_as_their_value_says(values: Values) -> None:
    rings = rings_of(values)
    rows, columns = np.indices(values.shape)
    centres = shapely.points(columns + 0.5, rows + 0.5)
    odd = np.zeros(values.shape, dtype=bool)
    for ring in rings:
        odd ^= shapely.contains(shapely.Polygon(ring), centres)
    # a pixel alone at one half may be dropped: its ring has no area to speak of
    clear = np.abs(values - 0.5) > 0.1
    assert np.array_equal(odd[clear], (values >= 0.5)[clear])


def as_set(rings: tuple[Points, ...]) -> Places:
    return {frozenset(map(tuple, np.round(ring, 5).tolist())) for ring in rings}


def moved(rings: tuple[Points, ...], sign: tuple[int, int], shift: tuple[float, float]) -> Places:
    return as_set(tuple(ring * sign + shift for ring in rings))


@given(greys)
def test_flips_and_transposition_carry_over(values: Values) -> None:
    rows, columns = values.shape
    rings = rings_of(values)
    assert as_set(rings_of(values[:, ::-1])) == moved(rings, (-1, 1), (columns, 0))
    assert as_set(rings_of(values[::-1])) == moved(rings, (1, -1), (0, rows))
    assert as_set(rings_of(values.T)) == as_set(tuple(ring[:, ::-1] for ring in rings))


@given(greys, st.integers(0, 5), st.integers(0, 5))
def test_whole_pixel_shifts_carry_over_exactly(values: Values, down: int, right: int) -> None:
    shifted = rings_of(np.pad(values, ((down, 1), (right, 2))))
    rings = rings_of(values)
    assert len(shifted) == len(rings)
    for ring, other in zip(rings, shifted, strict=True):
        assert np.allclose(ring + np.array([right, down]), other, atol=1e-12)


@given(greys)
def test_same_input_same_bytes(values: Values) -> None:
    assert [r.tobytes() for r in rings_of(values)] == [r.tobytes() for r in rings_of(values.copy())]


@given(masks)
def test_exact_coverage_adds_up_to_the_area(values: Values) -> None:
    """The area of pixels under rings, against the shoelace formula."""
    rings = rings_of(values)
    if not rings:
        return
    columns = values.shape[1] + 2
    pieces = cut_at_pixels(Loops.of(tuple(ring + 1 for ring in rings)))
    pixels, _, covered = coverage_of(pieces, columns)
    assert np.all((covered > -1e-9) & (covered < 1 + 1e-9))
    untouched = np.pad(values, 1).ravel().copy()
    untouched[pixels] = 0
    total = covered.sum() + untouched.sum()
    assert total == pytest.approx(-sum(map(signed_area, rings)), abs=1e-9)
