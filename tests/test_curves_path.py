"""Segments and paths against closed forms and against shapely."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from tracer.curves.path import Drawing, Path, Shape, extremes, flatten, polyline_path
from tracer.curves.segments import Arc, Cubic, Line, Segment

points = st.builds(complex, st.floats(-50, 50), st.floats(-50, 50))
sweeps = st.one_of(st.floats(0.05, 6.1), st.floats(-6.1, -0.05))


def far(p: complex, q: complex) -> bool:
    return abs(p - q) > 1e-3


lines = st.builds(Line, points, points).filter(lambda s: far(s.start, s.end))
arcs = st.builds(Arc, points, points, sweeps).filter(lambda s: far(s.start, s.end))
cubics = st.builds(Cubic, points, points, points, points).filter(lambda s: far(s.start, s.end))
segments = st.one_of(lines, arcs, cubics)


def dense(segment: Segment, n: int = 4001) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    return segment.at(np.linspace(0, 1, n))


@given(arcs)
def test_an_arc_keeps_its_distance_and_its_sweep(arc: Arc) -> None:
    on = dense(arc)
    assert np.abs(on - arc.centre) == pytest.approx(arc.radius, rel=1e-9)
    turned = np.angle(on[1:] - arc.centre) - np.angle(on[:-1] - arc.centre)
    total = np.sum((turned + np.pi) % (2 * np.pi) - np.pi)
    assert total == pytest.approx(arc.sweep, rel=1e-9)
    assert on[0] == pytest.approx(arc.start)
    assert on[-1] == pytest.approx(arc.end)


@given(segments)
def test_tangents_and_length_by_differences(segment: Segment) -> None:
    on = dense(segment, 20_001)
    steps = np.diff(on)
    speed = np.abs(steps)
    if speed.min() > 0.05 * speed.max():  # no cusp, as the promise says
        assert segment.length == pytest.approx(speed.sum(), rel=1e-3)
    if (
        isinstance(segment, Cubic)
        and min(abs(segment.control1 - segment.start), abs(segment.end - segment.control2)) < 1
    ):
        return  # with a handle of nearly nothing the direction is only known in the limit
    near = 1e-6  # the chord turns by about |B''| near / |B'|, at most 300 * 1e-6 / 3 rad here
    first, last = segment.at(np.array([0, near])), segment.at(np.array([1 - near, 1]))
    for chord, tangent in (
        (np.diff(first), segment.start_tangent),
        (np.diff(last), segment.end_tangent),
    ):
        assert tangent == pytest.approx(complex(chord[0] / abs(chord[0])), abs=1e-3)


@given(segments, st.floats(1e-3, 1))
def test_flattening_stays_within_its_bound(segment: Segment, tolerance: float) -> None:
    chords = shapely.LineString(
        [(z.real, z.imag) for z in [*flatten(segment, tolerance), segment.end]]
    )
    on = dense(segment, 500)
    off = shapely.distance(shapely.points(on.real, on.imag), chords)
    assert off.max() <= tolerance * (1 + 1e-6) + 1e-9


@given(segments)
def test_extremes_are_the_bounds(segment: Segment) -> None:
    on, ends = dense(segment, 20_001), extremes(segment)
    near = segment.length * 1e-4 + 1e-9
    for part in ("real", "imag"):
        seen, told = getattr(on, part), getattr(ends, part)
        assert told.max() == pytest.approx(seen.max(), abs=near)
        assert told.min() == pytest.approx(seen.min(), abs=near)


@given(segments)
def test_reversing_and_mirroring_twice_is_nothing(segment: Segment) -> None:
    assert segment.reversed().reversed() == segment
    assert segment.mirrored().mirrored() == segment
    assert dense(segment.reversed()) == pytest.approx(dense(segment)[::-1])


@given(st.lists(points, min_size=3, max_size=12, unique=True))
def test_area_of_polygons_is_that_of_shapely(corners: list[complex]) -> None:
    ring = shapely.LinearRing([(z.real, z.imag) for z in corners])
    signed = shapely.Polygon(ring).area if ring.is_simple else None
    if signed is not None:
        assert abs(polyline_path(corners).area) == pytest.approx(signed, rel=1e-9, abs=1e-6)


@given(segments, segments)
def test_area_of_curves_by_flattening(one: Segment, two: Segment) -> None:
    """Green's theorem on the segments against the shoelace formula on 20,000 chords."""
    path = Path((one, Line(one.end, two.start), two, Line(two.end, one.start)))
    on = np.concatenate([dense(s, 20_001)[:-1] for s in path.segments])
    shoelace = np.sum((np.conj(on) * np.roll(on, -1)).imag) / 2
    assert path.area == pytest.approx(shoelace, rel=1e-4, abs=1e-3)


def test_a_whole_circle_is_known_as_one() -> None:
    arcs_of_one = (Arc(-1 + 0j, 1 + 0j, math.pi), Arc(1 + 0j, -1 + 0j, math.pi))
    assert Path(arcs_of_one).circle == pytest.approx((0, 1))
    lens = (Arc(-1 + 0j, 1 + 0j, 2.0), Arc(1 + 0j, -1 + 0j, 2.0))
    assert Path(lens).circle is None
    assert polyline_path([0j, 1 + 0j, 1j]).circle is None


def test_drawing_area_counts_holes_off_and_bounds_are_exact() -> None:
    disc = Path((Arc(-5 + 0j, 5 + 0j, math.pi), Arc(5 + 0j, -5 + 0j, math.pi)))
    hole = disc.mapped(0.5, 0)
    hole = Path(tuple(s.reversed() for s in reversed(hole.segments)))
    ring = Drawing((Shape(disc, (hole,)),))
    assert ring.area == pytest.approx(math.pi * (25 - 6.25))  # annulus
    assert ring.bounds == pytest.approx((-5, -5, 5, 5))
    assert ring.mapped(2j, 1).area == pytest.approx(4 * ring.area)
    assert ring.mirrored().area == pytest.approx(ring.area)
