"""Known shapes come back; whatever comes in, the drawing is whole."""

import math
from collections import Counter

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.fit.shapes import circle, polygon, region, rounded_rectangle, sampled, star
from tracer.curves.path import Drawing, Path, Shape
from tracer.curves.segments import Arc, ComplexArray, Cubic, Line, Segment
from tracer.fit.drawing import along_ring, fit_drawing

NOWHERE = complex(math.nan, 1)


def fitted(*rings: ComplexArray, tolerance: float = 0.1) -> Drawing:
    return fit_drawing(region(*rings), tolerance, pixel_mm=1.0).drawing


def kinds(drawing: Drawing) -> Counter[str]:
    return Counter(type(s).__name__ for s in drawing.segments)


def joints(path: Path) -> list[float]:
    """Angles in degrees by which a path turns from segment to segment."""
    before = (path.segments[-1], *path.segments)
    return [
        math.degrees(abs(float(np.angle(b.start_tangent * a.end_tangent.conjugate()))))
        for a, b in zip(before, path.segments, strict=False)
    ]


def is_whole(drawing: Drawing, pieces: int, openings: int, flatness: float = 0.005) -> None:
    """Raise unless all that is promised of every drawing holds."""
    assert len(drawing.shapes) == pieces
    assert sum(len(s.holes) for s in drawing.shapes) == openings
    for path in drawing.paths:
        for a, b in zip((path.segments[-1], *path.segments), path.segments, strict=False):
            assert a.end == b.start
            assert b.length > 0
            assert np.isfinite(b.at(np.linspace(0, 1, 5))).all()
    for shape in drawing.shapes:
        assert shape.outer.area > 0
        assert all(hole.area < 0 for hole in shape.holes)
    flat = [[_coordinates(p, flatness) for p in s.paths] for s in drawing.shapes]
    pieces_ = shapely.MultiPolygon([shapely.Polygon(r[0], r[1:]) for r in flat])
    assert pieces_.is_valid, shapely.is_valid_reason(pieces_)


def _coordinates(path: Path, flatness: float) -> NDArray[np.float64]:
    z = path.points(flatness)
    return np.column_stack([z.real, z.imag])


@pytest.mark.parametrize("radius", [3.0, 6.0, 20.0, 150.0])
def test_a_circle_is_one_circle(radius: float) -> None:
    path = next(fitted(sampled(circle(radius, 5.3 + 2.1j))).paths)
    assert path.circle is not None
    centre, found = path.circle
    # 9 to 1300 points with noise 0.015 px: the mean is known to 0.005 px and better
    assert abs(centre - (5.3 + 2.1j)) < 0.02
    assert abs(found - radius) < 0.02


@pytest.mark.parametrize("turn", [0.0, 0.3, 0.7])
@pytest.mark.parametrize("radius", [5.0, 12.0, 40.0])
def test_a_rounded_rectangle_is_four_lines_and_four_arcs(radius: float, turn: float) -> None:
    drawing = fitted(sampled(rounded_rectangle(180, 120, radius, turn)))
    assert kinds(drawing) == {"Line": 4, "Arc": 4}
    path = next(drawing.paths)
    assert max(joints(path)) < 1
    arcs = [s for s in path.segments if isinstance(s, Arc)]
    # a quarter of r = 5 px has 11 points; the radius hangs on their sagitta of 1.5 px
    assert [a.radius for a in arcs] == pytest.approx([radius] * 4, abs=0.1)


@pytest.mark.parametrize("points", [3, 5, 8])
@pytest.mark.parametrize("inner", [25.0, 40.0, 60.0])
def test_a_star_has_its_corners(points: int, inner: float) -> None:
    true = star(points, 100, inner)
    drawing = fitted(sampled(true))
    assert kinds(drawing) == {"Line": 2 * points}
    found = np.array([s.start for s in drawing.segments])
    for segment in true.segments:
        # two lines known to 0.003 px that cross at 15 degrees or more: 0.012 px, and thrice that
        assert np.abs(found - segment.start).min() < 0.05


def test_corners_four_pixels_apart() -> None:
    step = polygon([0j, 60 + 0j, 60 + 30j, 34 + 30j, 34 + 34j, 30 + 34j, 30 + 30j, 30j])
    drawing = fitted(sampled(step, step=0.6))
    assert kinds(drawing) == {"Line": 8}


@pytest.mark.parametrize("angle", [20, 35, 60, 90, 120, 150, 160])
def test_a_wedge_keeps_its_angle(angle: float) -> None:
    half = math.radians(angle) / 2
    height = 80 * math.cos(half)
    tip = polygon([0j, complex(height, -80 * math.sin(half)), complex(height, 80 * math.sin(half))])
    path = next(fitted(sampled(tip)).paths)
    assert [type(s) for s in path.segments] == [Line] * 3
    nearest = min(range(3), key=lambda k: abs(path.segments[k].start))
    assert 180 - joints(path)[nearest] == pytest.approx(angle, abs=0.3)
    assert abs(path.segments[nearest].start) < 0.15  # 0.01 px / sin(20 degrees), three times over


def test_a_corner_between_an_arc_and_a_line() -> None:
    half = Path((Line(-40 + 0j, 40 + 0j), Arc(40 + 0j, -40 + 0j, math.pi)))
    path = next(fitted(sampled(half)).paths)
    assert sorted(type(s).__name__ for s in path.segments) == ["Arc", "Line"]
    assert sorted(abs(s.start) for s in path.segments) == pytest.approx([40, 40], abs=0.05)


def test_a_tight_curve_is_no_corner() -> None:
    drawing = fitted(sampled(rounded_rectangle(80, 60, 3.0)))
    assert kinds(drawing) == {"Line": 4, "Arc": 4}
    assert max(joints(next(drawing.paths))) < 1


def test_an_ellipse_takes_few_smooth_cubics() -> None:
    t = np.linspace(0, 2 * math.pi, 500, endpoint=False)
    drawing = fitted(90 * np.cos(t) + 40j * np.sin(t))
    path = next(drawing.paths)
    assert len(path.segments) <= 6
    assert max(joints(path)) < 1
    assert path.area == pytest.approx(math.pi * 90 * 40, rel=1e-3)


def test_area_and_centroid_agree_with_the_ring() -> None:
    ring = sampled(rounded_rectangle(180, 120, 30, 0.4))
    drawing = fitted(ring)
    polygon_ = region(ring)
    assert drawing.area == pytest.approx(polygon_.area, rel=1e-3)  # GEOS, by the shoelace formula
    flat = shapely.Polygon(_coordinates(next(drawing.paths), 0.005))
    assert flat.centroid.distance(polygon_.centroid) < 0.02


@pytest.mark.parametrize("seed", range(4))
def test_a_quarter_turn_changes_nothing(seed: int) -> None:
    ring = sampled(rounded_rectangle(90, 50, 11, 0.2), seed=seed)
    assert kinds(fitted(ring)) == kinds(fitted(1j * ring)) == kinds(fitted(np.conj(ring)[::-1]))


def test_the_same_region_gives_the_same_drawing() -> None:
    ring = sampled(star(5, 60, 30))
    assert fitted(ring) == fitted(ring)


def test_a_ring_of_repair_with_long_edges_and_fine_arcs() -> None:
    """A buffer in place of the iso-line: edges of 60 px beside arcs of a hundred vertices."""
    shape = shapely.box(0, 0, 80, 50).buffer(8, quad_segs=64)
    drawing = fit_drawing(shapely.MultiPolygon([shape]), 0.1, pixel_mm=1.0).drawing
    assert kinds(drawing) == {"Line": 4, "Arc": 4}
    radii = [s.radius for s in drawing.segments if isinstance(s, Arc)]
    assert radii == pytest.approx([8.0] * 4, abs=0.005)  # vertices are exact


def test_the_unit_does_not_matter() -> None:
    ring = sampled(rounded_rectangle(90, 50, 11, 0.2))
    small = fit_drawing(region(0.05 * ring), 0.005, pixel_mm=0.05).drawing
    assert kinds(small) == kinds(fitted(ring))


@pytest.mark.slow
def test_a_long_ring_takes_bounded_time() -> None:
    t = np.linspace(0, 2 * math.pi, 40_000, endpoint=False)
    drawing = fitted(4000 * np.exp(1j * t) * (1 + 0.02 * np.cos(60 * t)))
    is_whole(drawing, 1, 0)
    assert sum(1 for _ in drawing.segments) < 600


@st.composite
def hostile_regions(draw: st.DrawFn) -> shapely.MultiPolygon:
    """Unions of discs, boxes and slivers, with holes, of a few pixels and up."""
    parts: list[shapely.Geometry] = []
    for _ in range(draw(st.integers(1, 5))):
        x, y = draw(st.floats(-30, 30)), draw(st.floats(-30, 30))
        size = draw(st.floats(0.6, 25))
        kind = draw(st.sampled_from(["disc", "box", "sliver", "ring", "triangle"]))
        point = shapely.Point(x, y)
        if kind == "disc":
            parts.append(point.buffer(size, quad_segs=draw(st.integers(1, 40))))
        elif kind == "box":
            parts.append(shapely.box(x, y, x + size, y + draw(st.floats(0.6, 25))))
        elif kind == "sliver":
            parts.append(shapely.box(x, y, x + 2 * size, y + 0.7))
        elif kind == "ring":
            parts.append(point.buffer(size + 1.5).difference(point.buffer(size)))
        else:
            end = draw(st.floats(-30, 30))
            parts.append(shapely.Polygon([(x, y), (x + size, y), (end, y + size)]))
    whole = shapely.union_all(parts)
    pieces = [p for p in shapely.get_parts(whole) if p.geom_type == "Polygon" and p.area > 0.3]
    return shapely.MultiPolygon(pieces)


@given(hostile_regions(), st.sampled_from([0.05, 0.1, 0.25, 0.5]))
def test_whatever_comes_in_the_drawing_is_whole(
    shapes: shapely.MultiPolygon, tolerance: float
) -> None:
    drawing = fit_drawing(shapes, tolerance, pixel_mm=1.0).drawing
    openings = sum(len(p.interiors) for p in shapes.geoms)
    is_whole(drawing, len(shapes.geoms), openings, flatness=tolerance / 200)  # as promised


def test_a_tip_far_outside_a_tiny_ring_is_taken_back() -> None:
    """A kite and a bar of 3 px at half a pixel: the sides met 2.6 px above the ring."""
    ring = [(-1, 0), (0, 1), (0.3, 0.7), (2, 0.7), (2, 0), (1, 0), (0, -1)]
    region = shapely.MultiPolygon([shapely.orient_polygons(shapely.Polygon(ring))])
    drawing = fit_drawing(region, 0.5, pixel_mm=0.1).drawing
    assert drawing.bounds == pytest.approx(region.bounds, abs=2 * 0.5 + 0.25)
    high = fit_drawing(region, 0.5, pixel_mm=1.0).drawing
    is_whole(high, 1, 0)


@pytest.mark.parametrize("seed", range(3))
def test_noise_in_one_place_leaves_the_rest_of_a_curve_be(seed: int) -> None:
    """An ellipse with a twentieth of its points in disorder became 111 to 156 lines as a whole."""
    t = np.linspace(0, 2 * math.pi, 600, endpoint=False)
    true = 90 * np.cos(t) + 60j * np.sin(t)
    noisy = true * 1.0
    noisy[200:230] *= 1 + np.random.default_rng(seed).uniform(-0.02, 0.02, 30)
    path = next(fitted(noisy).paths)
    # The 30 points need no more than 31 segments; a cubic that reaches into them is lost up to its
    # other end, 30 px off at most, where a line within 0.09 px of radius 60 is 6 px long or more.
    # The rest takes four cubics, one of them cut in two.
    assert len(path.segments) <= 31 + 2 * 5 + 5
    flat = shapely.LinearRing(_coordinates(path, 0.005))
    calm = np.delete(true, np.arange(190, 240))
    assert shapely.distance(flat, shapely.points(calm.real, calm.imag)).max() < 1.5 * 0.1


def test_only_segments_near_a_crossing_become_lines_along_the_ring() -> None:
    true = rounded_rectangle(80, 60, 12)
    ring = sampled(true, noise=0.0)
    corner = true.segments[1]
    assert isinstance(corner, Arc)
    place = corner.at(np.array([0.5])) + 0.5
    path = along_ring(true, ring, place, 1.0, 0.02)
    kept = set(true.segments) & set(path.segments)
    assert kept == set(true.segments) - {corner}
    lines = [s for s in path.segments if s not in kept]
    assert (lines[0].start, lines[-1].end) == (corner.start, corner.end)
    # the ring's own chords of 0.7 px are off by 0.7^2 / (8 * 12) px
    off = [abs(abs(s.start - corner.centre) - 12) for s in lines]
    assert max(off) < 0.02 + 0.006
    is_whole(Drawing((Shape(path),)), 1, 0)
    assert along_ring(true, ring, place + 100, 1.0, 0.02) == true


@pytest.mark.parametrize("half", [0.06, 0.5])
def test_a_speck_before_a_tip_blunts_that_tip_alone(half: float) -> None:
    """A star whose tips the pixels took, and a speck within or across where one of them was."""
    true = star(5, 100, 25)
    tips = [s.start for s in true.segments[::2]]
    ring = sampled(true, noise=0.0)
    ring = ring[np.abs(ring) < 98]
    square = polygon([-1 - 1j, 1 - 1j, 1 + 1j, -1 + 1j]).mapped(half, tips[0] * 0.99)
    speck = square.points(0.1)
    both = shapely.MultiPolygon([*region(ring).geoms, *region(speck).geoms])
    drawing = fit_drawing(both, 0.1, pixel_mm=1.0).drawing
    is_whole(drawing, 2, 0)
    found = np.array([s.start for s in drawing.shapes[0].outer.segments])
    away = [float(np.abs(found - tip).min()) for tip in tips]
    assert max(away[1:]) < 0.2
    assert away[0] > 1


@pytest.mark.parametrize("width", [0.06, 0.1, 0.15])
def test_a_crossing_in_one_place_leaves_tips_elsewhere_sharp(width: float) -> None:
    """A fine hair on a star, bent by more than it is wide: its sides are drawn across."""
    true = star(5, 100, 25)
    tips = [s.start for s in true.segments[::2]]
    ring = sampled(true, noise=0.0)
    ring = ring[np.abs(ring) < 98]
    side = true.segments[0]
    k = int(np.abs(ring - (side.start + side.end) / 2).argmin())
    along = side.start_tangent
    out = np.arange(0.7, 6.6, 0.7)
    hair = ring[k] - 1j * along * out + along * 0.08 * np.sin(1.3 * out)
    ring = np.concatenate([ring[:k], hair, hair[::-1] + width * along, ring[k + 1 :]])
    drawing = fit_drawing(region(ring), 0.1, pixel_mm=1.0).drawing
    is_whole(drawing, 1, 0)
    found = np.array([s.start for s in drawing.segments])
    assert max(float(np.abs(found - tip).min()) for tip in tips) < 0.05


@pytest.mark.parametrize(
    "wrong",
    [
        Path((Line(0j, 1 + 0j), Line(1 + 0j, 1j))),  # open
        Path((Line(0j, 1 + 0j), Line(1 + 0j, 1j), Line(1j, 1j), Line(1j, 0j))),  # no length
        polygon([0j, 1 + 1j, 1 + 0j, 1j]),  # crosses itself
        polygon([0j, 1j, 1 + 0j]),  # inside out
        Path(
            (Line(0j, 1 + 0j), Line(1 + 0j, complex(math.nan, 1)), Line(complex(math.nan, 1), 0j))
        ),
    ],
)
def test_the_ruler_sees_what_is_not_whole(wrong: Path) -> None:
    with pytest.raises(AssertionError):
        is_whole(Drawing((Shape(wrong),)), 1, 0)


def _steep(segment: Segment) -> bool:
    return isinstance(segment, Cubic) and (
        abs(segment.control1 - segment.start) > abs(segment.end - segment.start)
        or abs(segment.end - segment.control2) > abs(segment.end - segment.start)
    )


def test_no_handle_is_longer_than_its_span() -> None:
    t = np.linspace(0, 2 * math.pi, 700, endpoint=False)
    blob = 60 * np.exp(1j * t) * (1 + 0.3 * np.cos(3 * t) + 0.1 * np.sin(5 * t))
    drawing = fitted(blob)
    assert not any(_steep(s) for s in drawing.segments)
    assert max(joints(next(drawing.paths))) < 1
