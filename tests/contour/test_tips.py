"""Tips finer than the pixels, against needles and crescents of closed form; and the promises."""

import math
from collections.abc import Iterable

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from numpy.typing import NDArray

from tests.contour.shapes import clipped, cross_free, sampled
from tracer.contour.edge import trace_edges
from tracer.contour.extract import extract_rings
from tracer.contour.noise import edge_noise
from tracer.contour.refine import refine_rings
from tracer.contour.tips import drawn_out
from tracer.model import Coverage, Points

SIZE = 80
MOST = 0.006
"""What pixels may be off by at a tip of artwork in 8 bits, see `tracer.contour.edge`."""
NEAR_PX = 0.1
"""The least fit tolerance: what lies nearer cannot be told apart later. The sides of a needle of 5
degrees that are off by what 8 bits leave, .001 px2 in each of some ten pixels, meet about .01 px
off."""


def refined(coverage: Coverage) -> tuple[Points, ...]:
    rings = extract_rings(coverage)
    return refine_rings(rings, coverage, edge_noise(coverage, rings))


def needle(degrees: float, turn: float, width: float = 0.0) -> tuple[shapely.Polygon, Points]:
    """Return a wedge that ends in a point, or `width` px wide, and where its sides meet."""
    way, half = np.exp(1j * turn), math.radians(degrees / 2)
    long = 50 if degrees < 25 else 34
    tip = 40.23 + 39.87j + long / 2 * way
    cut = width / 2 / math.tan(half)
    sides = [way * np.exp(1j * h) / math.cos(half) for h in (half, -half)]
    corners = [tip - cut * sides[1], tip - cut * sides[0], *(tip - long * s for s in sides)]
    flat = np.array(corners if width else [tip, *corners[2:]])
    return shapely.Polygon(np.column_stack([flat.real, flat.imag])), np.array([tip.real, tip.imag])


def away(rings: tuple[Points, ...], place: Points) -> float:
    """Return how far the nearest vertex is from a place."""
    return float(np.hypot(*(np.concatenate(rings) - place).T).min())


def beyond(rings: tuple[Points, ...], outline: shapely.Geometry, place: Points) -> float:
    """Return how far vertices within 15 px of a place lie off an outline at most."""
    points = np.concatenate(rings)
    points = points[np.hypot(*(points - place).T) < 15]
    return float(shapely.distance(shapely.points(points), outline).max())


TURNS = np.linspace(0.1, 2 * math.pi, 12, endpoint=False).tolist()


@pytest.mark.parametrize("degrees", [5.0, 8.0, 12.0, 30.0, 44.0, 60.0])
@pytest.mark.parametrize("turn", TURNS)
@pytest.mark.parametrize("ink", [True, False])
def test_a_needle_runs_out_where_it_was_drawn(degrees: float, turn: float, ink: bool) -> None:
    """In most places it had broken into beads, or the pixel of its end holds half and more."""
    shape, tip = needle(degrees, turn)
    whole = shape if ink else shapely.box(4, 4, SIZE - 4, SIZE - 4) - shape
    rings, _ = trace_edges(clipped(whole, SIZE))
    assert len(rings) == 1 + (not ink)
    assert away(rings, tip) < NEAR_PX
    assert beyond(rings, whole.boundary, tip) < NEAR_PX


@pytest.mark.parametrize("degrees", [5.0, 8.0, 12.0])
def test_without_being_drawn_out_it_would_not(degrees: float) -> None:
    """Guards the test above: what it demands is not there before."""
    offs = []
    for turn in TURNS:
        shape, tip = needle(degrees, turn)
        offs.append(away(refined(clipped(shape, SIZE)), tip))
    assert np.median(offs) > 10 * NEAR_PX


@pytest.mark.parametrize("gap", [5.0, 7.0, 9.0])
def test_a_crescent_runs_out_where_its_circles_cross(gap: float) -> None:
    """Discs of 24 and 26 px, centres `gap` apart, cross as the law of cosines has it."""
    a, b = 24.0, 26.0
    x = (a * a - b * b + gap * gap) / (2 * gap)
    y = math.sqrt(a * a - x * x)
    centre = np.array([40.3, 40.6])

    def inside(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.bool_]:
        near = np.hypot(u - centre[0], v - centre[1]) <= a
        far = np.hypot(u - centre[0] - gap, v - centre[1]) > b
        both: NDArray[np.bool_] = near & far
        return both

    coverage = sampled(inside, SIZE)
    rings, _ = trace_edges(coverage)
    assert len(rings) == 1
    for side in (-1, 1):
        tip = centre + np.array([x, side * y])
        assert away(rings, tip) < NEAR_PX
        assert away(refined(coverage), tip) > 8 * NEAR_PX


def test_a_tip_of_which_next_to_nothing_is_missing_is_drawn_out_as_well() -> None:
    """The line can match its last pixels by running beside it and back, one side being level."""
    befores = []
    for y in np.arange(66, 67, 0.1):
        tip = np.array([39.0, y])
        coverage = clipped(shapely.Polygon([(39, 20), (65, 32), (39, y)]), SIZE)
        befores.append(away(refined(coverage), tip))
        assert away(trace_edges(coverage)[0], tip) < NEAR_PX
    assert np.median(befores) > 5 * NEAR_PX


@pytest.mark.parametrize(
    ("degrees", "width"),
    [(12.0, 0.5), *((d, w) for d in (12.0, 44.0, 60.0) for w in (0.8, 1.2, 2.0))],
)
@pytest.mark.parametrize("turn", TURNS)
def test_a_blunt_end_stays_as_it_was_seen(degrees: float, width: float, turn: float) -> None:
    """The pixels at such an end are not those of a point.

    Those of one half a pixel wide can be, between sides that spread: cut off is a tenth of a pixel.
    """
    shape, tip = needle(degrees, turn, width)
    coverage = clipped(shape, SIZE)
    rings = refined(coverage)
    drawn = drawn_out(rings, coverage, MOST)
    assert same(*([ring[np.hypot(*(ring - tip).T) < 9] for ring in r] for r in (drawn, rings)))


@pytest.mark.parametrize("degrees", [5.0, 8.0, 12.0])
def test_a_needle_that_runs_into_a_bar_meets_nothing(degrees: float) -> None:
    """The faint pixels beyond its end lead on into the bar: drawn out it would run across."""
    shape, tip = needle(degrees, 0.0)
    bar = shapely.box(tip[0] - 0.4, 20, tip[0] + 1.1, 60)
    coverage = clipped(shape | bar, SIZE)
    rings = refined(coverage)
    assert len(rings) > 1
    assert same(drawn_out(rings, coverage, math.inf), rings)


@pytest.mark.parametrize("degrees", [6.0, 8.0, 12.0])
@pytest.mark.parametrize("gap", [1.5, 2.4])
@pytest.mark.parametrize("turn", TURNS)
def test_a_dot_before_a_needle_stays_a_dot(degrees: float, gap: float, turn: float) -> None:
    """Small, on the axis and just beyond the tip, it could pass for a bead of the needle."""
    shape, tip = needle(degrees, turn)
    dot = tip + gap * np.array([math.cos(turn), math.sin(turn)])
    coverage = clipped(shape | shapely.Point(dot).buffer(0.9), SIZE)
    rings = refined(coverage)

    def dots(some: tuple[Points, ...]) -> int:
        return sum(math.dist(ring.mean(axis=0), dot) < 0.3 for ring in some)

    assert dots(rings) == dots(drawn_out(rings, coverage, MOST))


SHAPES = array_shapes(min_dims=2, max_dims=2, min_side=8, max_side=24)
LEVELS = st.sampled_from([float(np.float32(v)) for v in (0, 0, 0, 1, 1, 1, 0.5, 0.51, 0.2, 0.8)])


@given(arrays(np.float32, SHAPES, elements=LEVELS))
def test_rings_stay_apart_whatever_the_artwork(values: NDArray[np.float32]) -> None:
    coverage = Coverage(values)
    rings = refined(coverage)
    drawn = drawn_out(rings, coverage, MOST)
    assert len(drawn) <= len(rings)
    assert cross_free(drawn)
    assert all(np.isfinite(ring).all() for ring in drawn)


@given(
    st.lists(
        st.tuples(st.floats(4, 20), st.floats(0, 6.28), st.floats(15, 65), st.floats(15, 65)),
        min_size=1,
        max_size=4,
    )
)
def test_needles_that_cross_and_touch_stay_apart(
    needles: list[tuple[float, float, float, float]],
) -> None:
    shapes = [
        shapely.affinity.translate(needle(degrees, turn)[0], x - 40, y - 40)
        for degrees, turn, x, y in needles
    ]
    coverage = clipped(shapely.union_all(shapes), SIZE)
    rings = refined(coverage)
    drawn = drawn_out(rings, coverage, MOST)
    assert cross_free(drawn)
    before, after = (abs(missing(some, coverage)).sum() for some in (rings, drawn))
    assert after <= before + 1e-6


def same(some: Iterable[Points], others: Iterable[Points]) -> bool:
    return [ring.tobytes() for ring in some] == [ring.tobytes() for ring in others]


def missing(rings: tuple[Points, ...], coverage: Coverage) -> NDArray[np.float64]:
    """Return the coverage seen less the exact one of rings, by GEOS."""
    odd: shapely.Geometry = shapely.Polygon()
    for ring in rings:
        odd = shapely.symmetric_difference(odd, shapely.Polygon(ring))
    rows, columns = np.indices(coverage.values.shape)
    boxes = shapely.box(columns, rows, columns + 1, rows + 1)
    return coverage.values - shapely.area(shapely.intersection(boxes, odd))


def test_all_else_stays_as_it_is() -> None:
    shape, tip = needle(8.0, 0.4)
    far = shapely.Point(20, 65).buffer(8.0)
    coverage = clipped(shape | far, SIZE)
    rings = refined(coverage)
    drawn = drawn_out(rings, coverage, MOST)
    assert any(np.array_equal(ring, other) for ring in rings for other in drawn)
    kept = {point for ring in drawn for point in map(tuple, ring.tolist())}
    gone = [p for ring in rings for p in map(tuple, ring.tolist()) if p not in kept]
    assert gone
    assert max(math.dist(p, tip) for p in gone) < 25


@pytest.mark.parametrize("width", [0.0, 0.8])
def test_an_enlarged_bitmap_is_drawn_out_at_its_true_pixels(width: float) -> None:
    shape, _ = needle(12.0, TURNS[4], width)
    small = clipped(shape, SIZE).values
    wide = Coverage(np.kron(small, np.ones((3, 3), np.float32)), pixel_size=3)
    pairs = zip(trace_edges(wide)[0], trace_edges(Coverage(small))[0], strict=True)
    assert all(
        ring.shape == other.shape and np.allclose(ring, 3 * other, atol=1e-9)
        for ring, other in pairs
    )
