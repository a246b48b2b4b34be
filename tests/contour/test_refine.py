"""Refined rings against closed forms: discs, half planes, strips, corners; and their promises."""

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter  # type: ignore[import-untyped] # carries no types

from tests.contour.shapes import (
    circle_through,
    clipped,
    cross_free,
    disc,
    eight_bit,
    sampled,
    signed_area,
)
from tracer.contour.extract import extract_rings
from tracer.contour.noise import edge_noise
from tracer.contour.refine import refine_rings
from tracer.model import Coverage, Edge, EdgeNoise, Points

PLACES = [(32.0, 32.0), (32.5, 32.5), (32.21, 32.83), (31.67, 32.09)]
GOAL_PX = 0.02
"""Issue 3: radius and place of small discs."""


def refined(coverage: Coverage) -> tuple[Points, ...]:
    rings = extract_rings(coverage)
    return refine_rings(rings, coverage, edge_noise(coverage, rings))


@pytest.mark.parametrize("radius", [3.0, 6.0, 10.0, 20.0])
@pytest.mark.parametrize("place", PLACES)
def test_discs_come_back(radius: float, place: tuple[float, float]) -> None:
    (ring,) = refined(disc(radius, *place))
    centre, fitted = circle_through(ring)
    assert fitted == pytest.approx(radius, abs=GOAL_PX)
    assert math.sqrt(-signed_area(ring) / math.pi) == pytest.approx(radius, abs=GOAL_PX / 4)
    assert np.hypot(*(centre - place)) < GOAL_PX / 4


def test_the_level_line_of_a_small_disc_would_not_do() -> None:
    """Guards the tests above: what they demand is not there before refinement."""
    (ring,) = extract_rings(disc(3.0, *PLACES[2]))
    assert abs(math.sqrt(-signed_area(ring) / math.pi) - 3.0) > GOAL_PX


@pytest.mark.parametrize("radius", [6.0, 10.0, 20.0])
def test_blurred_discs_come_back(radius: float) -> None:
    values = gaussian_filter(disc(radius, *PLACES[2]).values.astype(float), 1.2)
    coverage = eight_bit(values)
    (level,) = extract_rings(coverage)
    (ring,) = refined(coverage)
    centre, fitted = circle_through(ring)
    # the level line of a blurred disc lies about sigma^2 / 2r inside the true one
    assert circle_through(level)[1] < radius - 0.6 * 1.2**2 / (2 * radius)
    assert fitted == pytest.approx(radius, abs=GOAL_PX)
    assert np.hypot(*(centre - PLACES[2])) < GOAL_PX


@pytest.mark.parametrize("degrees", [0, 3, 17, 30, 45, 61, 90])
def test_sides_of_a_turned_strip_lie_where_they_should(degrees: float) -> None:
    """Exact areas by GEOS; a strip 5.3 px wide with ends far away."""
    strip = shapely.box(-20, -2.65, 20, 2.65)
    turned = shapely.affinity.translate(
        shapely.affinity.rotate(strip, degrees, origin=(0, 0)), 32.3, 31.8
    )
    (ring,) = refined(clipped(turned, 64))
    off = np.asarray(shapely.distance(shapely.points(ring), turned.exterior))
    ends = np.abs(
        (ring - [32.3, 31.8]) @ [math.cos(math.radians(degrees)), math.sin(math.radians(degrees))]
    )
    # 8 bits place a side within 1/510 px a pixel; corners disturb the three px beside them
    assert off[ends < 17].max() < 0.01


@pytest.mark.parametrize("width", [1.0, 1.5, 2.2])
def test_thin_rings_keep_their_width(width: float) -> None:
    """Not below a pixel: there the level line breaks before anything can be refined."""
    inner, outer = 12.0, 12.0 + width

    def inside(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
        r2 = (x - 32.3) ** 2 + (y - 31.6) ** 2
        return (r2 >= inner**2) & (r2 <= outer**2)

    rings = refined(sampled(inside))
    assert len(rings) == 2
    radii = sorted(circle_through(ring)[1] for ring in rings)
    # both sides share pixels, whose coverage only tells the width: five times the goal alone
    assert radii[1] - radii[0] == pytest.approx(width, abs=GOAL_PX if width > 1 else 5 * GOAL_PX)


@pytest.mark.parametrize(("degrees", "share"), [(40, 0.75), (60, 0.75), (90, 0.75), (120, 1.0)])
def test_corners_are_nearer_than_on_the_level_line(degrees: float, share: float) -> None:
    """On average of nine places in a pixel: how near a vertex comes to one tip is luck."""
    half = math.radians(degrees / 2)
    legs = 25 * np.array([[math.sin(half), math.cos(half)], [-math.sin(half), math.cos(half)]])
    missed = []
    for place in itertools.product((0.04, 0.37, 0.71), repeat=2):
        tip = np.add((32, 20), place)
        coverage = clipped(shapely.Polygon([tip, *(tip + legs)]), 64)
        rings = (*refined(coverage), *extract_rings(coverage))
        missed.append([shapely.distance(shapely.LinearRing(r), shapely.Point(tip)) for r in rings])
    ring, level = np.mean(missed, axis=0)
    assert ring < share * level


def test_staircases_are_smoothed_within_their_pixels() -> None:
    """A disc of 0 and 1: within half a pixel of the truth, and nearer than the staircase."""
    values = (disc(20.0, 32.3, 31.8).values >= 0.5).astype(np.float32)
    coverage = Coverage(values)
    (level,) = extract_rings(coverage)
    (ring,) = refined(coverage)
    off = np.abs(np.hypot(*(ring - [32.3, 31.8]).T) - 20)
    before = np.abs(np.hypot(*(level - [32.3, 31.8]).T) - 20)
    assert off.max() < 0.5
    assert off.mean() < 0.8 * before.mean()


def test_an_enlarged_bitmap_is_worked_at_its_true_pixels() -> None:
    small = (disc(12.0, 20.3, 19.8, size=40).values >= 0.5).astype(np.float32)
    large = Coverage(np.kron(small, np.ones((4, 4), dtype=np.float32)), pixel_size=4.0)
    rings = extract_rings(large)
    noise = edge_noise(large, rings)
    assert noise.kind is Edge.STAIRS
    assert noise.tolerance_px == pytest.approx(2.0)
    (ring,) = refine_rings(rings, large, noise)
    (same,) = refined(Coverage(small))
    assert np.allclose(ring, same * 4)


def test_nothing_to_refine() -> None:
    assert refined(Coverage(np.zeros((4, 4), dtype=np.float32))) == ()


SHAPES = array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=16)
LEVELS = st.sampled_from([float(np.float32(v)) for v in (0, 0, 0, 1, 1, 1, 0.5, 0.51, 0.2, 0.8)])
artworks = arrays(np.float32, SHAPES, elements=LEVELS)
KINDS = [
    EdgeNoise(Edge.SHARP, 0.03, 0.0, 0.1),
    EdgeNoise(Edge.RINGING, 0.08, 0.0, 0.25),
    EdgeNoise(Edge.SOFT, 0.08, 0.8, 0.25),
    EdgeNoise(Edge.SOFT, 0.08, 3.0, 0.25),
    EdgeNoise(Edge.STAIRS, 0.29, 0.0, 0.5),
]


@given(artworks, st.sampled_from(KINDS))
def test_rings_stay_apart_whatever_the_artwork(
    values: NDArray[np.float32], noise: EdgeNoise
) -> None:
    coverage = Coverage(values)
    rings = extract_rings(coverage)
    moved = refine_rings(rings, coverage, noise)
    assert len(moved) == len(rings)
    assert cross_free(moved)
    for before, after in zip(rings, moved, strict=True):
        assert np.isfinite(after).all()
        assert signed_area(before) * signed_area(after) > 0


@given(artworks, st.sampled_from(KINDS))
def test_rings_nest_as_before(values: NDArray[np.float32], noise: EdgeNoise) -> None:
    coverage = Coverage(values)
    rings = extract_rings(coverage)
    moved = refine_rings(rings, coverage, noise)

    def depths(some: tuple[Points, ...]) -> list[int]:
        shapes = [shapely.Polygon(ring) for ring in some]
        return [sum(a.contains(b) for a in shapes) for b in shapes]

    assert depths(moved) == depths(rings)


def test_same_input_same_bytes() -> None:
    coverage = disc(9.0, 30.1, 32.7)
    assert [r.tobytes() for r in refined(coverage)] == [r.tobytes() for r in refined(coverage)]


def test_a_quarter_turn_carries_over() -> None:
    """Not exactly: resampling starts elsewhere."""
    coverage = disc(9.0, 30.1, 32.7)
    turned = Coverage(np.ascontiguousarray(np.rot90(coverage.values)))
    (ring,), (other,) = refined(coverage), refined(turned)
    back = np.column_stack([64 - other[:, 1], other[:, 0]])
    assert circle_through(back)[1] == pytest.approx(circle_through(ring)[1], abs=2e-3)
    assert circle_through(back)[0] == pytest.approx(circle_through(ring)[0], abs=2e-3)


@pytest.mark.parametrize(("blur", "noise"), [(0.6, 0.02), (1.0, 0.05), (1.3, 0.1)])
def test_noise_is_not_sharpened(blur: float, noise: float) -> None:
    """Refined, the edge of a noisy blurred disc is no rougher than its level line was.

    The radius is the truth; with twelve rounds whatever the noise it was half as rough again.
    """
    coverage = noisy(blur, noise)
    level, ring = (max(r, key=len) for r in (extract_rings(coverage), refined(coverage)))
    rough, now = (np.std(np.hypot(*(r - 64).T)) for r in (level, ring))
    assert now < 1.05 * rough


def test_noise_is_seen_beside_a_wide_blur() -> None:
    """The flats of an edge blurred by 2.2 px begin 9 px from it."""
    calm, off = (edge_noise(c, extract_rings(c)) for c in (noisy(2.2, 0.0), noisy(2.2, 0.02)))
    assert off.sigma_px > 1.3 * calm.sigma_px


def noisy(blur: float, noise: float) -> Coverage:
    values = gaussian_filter(disc(40.0, 64, 64, 128).values.astype(float), blur)
    values += np.random.default_rng(4).normal(0, noise, values.shape)
    return eight_bit(np.clip(values, 0, 1))
