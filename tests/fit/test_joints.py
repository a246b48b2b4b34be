"""Joints that turn a little, that turn not at all, and chains that bend too far for one cubic."""

import cmath
import math

import numpy as np
import pytest
import shapely

from tests.bench.methods import Outline, fitted_drawing
from tests.bench.renderings import alpha
from tests.contour.shapes import clipped
from tests.drawings import TrueDrawing
from tests.fit.shapes import region
from tracer.curves.path import Path
from tracer.curves.segments import Arc, ComplexArray, Cubic, Line
from tracer.fit.chain import Chain
from tracer.fit.corners import Corners, corners
from tracer.fit.drawing import fit_drawing
from tracer.fit.joints import joined
from tracer.fit.ring import fit_ring
from tracer.fit.samples import ring_of

PIXELS = 1024
TRUE_SEGMENTS = 7


def two_lobes(radius: float, foot: float, cut: float, kink: float = 0.0) -> TrueDrawing:
    """Return two lobes over a rounded foot, 1 px a unit: seven segments.

    The long sides leave the lobes at 45 degrees and end in an arc of radius `foot`. Each lobe ends
    `cut` degrees before its top, where a short side goes to the notch between them: smoothly, or
    turned by `kink` degrees.
    """
    half = math.sqrt(0.5)
    centre = 0.75 * radius
    way = cmath.exp(-1j * math.radians(90 + cut))
    begins = centre + radius * way
    side = -1j * way * cmath.exp(1j * math.radians(kink))
    notch = (begins - side * begins.real / side.real).imag
    x, y = centre + radius * half, radius * half
    low = x + y - 2 * foot * half
    large = int(135 + cut > 180)
    lobe = f"A{radius} {radius} 0 {large} 1"
    path = (
        f"M0 {notch} L{begins.real} {begins.imag} {lobe} {x} {y} "
        f"L{foot * half} {low + foot * half} "
        f"A{foot} {foot} 0 0 1 {-foot * half} {low + foot * half} "
        f"L{-x} {y} {lobe} {-begins.real} {begins.imag}Z"
    )
    return TrueDrawing("two lobes", path, (-PIXELS / 2, -400.0, float(PIXELS)))


def traced(drawing: TrueDrawing) -> Outline:
    return fitted_drawing(alpha(drawing, PIXELS))


@pytest.mark.parametrize(
    ("radius", "foot", "cut", "kink"),
    [(232, 32, 43, 0.5), (200, 20, 35, -4), (200, 32, 35, 4), (232, 20, 43, -4), (232, 20, 35, 4)],
)
def test_a_joint_that_turns_a_little_is_not_bent_to_be_smooth(
    radius: float, foot: float, cut: float, kink: float
) -> None:
    """Held to be smooth, it took the long sides beside it along, and they came back in pieces."""
    outline = traced(two_lobes(radius, foot, cut, kink))
    assert outline.nodes <= TRUE_SEGMENTS + 1


@pytest.mark.parametrize(("radius", "foot", "cut"), [(250, 20, 47), (232, 32, 35), (200, 20, 43)])
def test_a_long_smooth_ring_comes_back_in_its_segments(
    radius: float, foot: float, cut: float
) -> None:
    """Steps damped as for noisy points end before the joints are where they belong."""
    assert traced(two_lobes(radius, foot, cut)).nodes == TRUE_SEGMENTS


def test_a_cubic_that_bends_too_far_is_cut_in_two() -> None:
    """It was tried five times over, and then all of the ring was left to lines."""
    t = np.linspace(0.0, 2 * math.pi, 113, endpoint=False)
    ring = 12 * (1 + 0.15 * np.cos(2 * t + 0.3)) * np.exp(1j * t)
    drawing = fit_drawing(region(ring), 0.3, pixel_mm=1.0).drawing
    assert sum(len(path.segments) for path in drawing.paths) <= 4


SMALL_PIECE = """
    10.17,-7.49 10.01,-6.91 9.84,-6.33 9.69,-5.75 9.52,-5.18 9.34,-4.61 9.19,-4.03 9.07,-3.42
    8.56,-2.99 7.94,-3.00 7.34,-3.00 6.74,-3.00 6.14,-2.99 5.53,-2.99 4.93,-3.07 4.36,-3.24
    3.93,-3.69 3.71,-4.30 3.75,-4.92 3.81,-5.53 3.92,-6.13 4.06,-6.71 4.23,-7.29 4.41,-7.86
    4.60,-8.43 4.84,-8.98 5.11,-9.52 5.39,-10.05 5.66,-10.58 5.93,-11.11 6.20,-11.65 6.49,-12.17
    6.78,-12.69 7.07,-13.21 7.38,-13.71 7.73,-14.21 8.06,-14.70 8.45,-15.38 9.15,-15.07
    9.66,-14.74 10.09,-14.32 10.46,-13.83 10.75,-13.32 10.96,-12.75 11.05,-12.16 11.07,-11.55
    11.05,-10.95 10.99,-10.35 10.89,-9.76 10.71,-9.19 10.49,-8.64 10.32,-8.07
"""
"""A ring of 52 points, 8 px wide and 13 high, as traced: flat at its top, pointed below."""


def test_an_arc_does_not_become_another_one_to_meet_its_neighbour() -> None:
    """Its tangent met the other side far from the corner: 1.2 px beside the ring for 0.22."""
    tolerance = 0.222
    pairs = [pair.split(",") for pair in SMALL_PIECE.split()]
    ring = np.array([complex(float(x), float(y)) for x, y in pairs])
    path = fit_ring(ring, tolerance).path(tolerance)
    flat = np.asarray(path.points(0.01))
    line = shapely.LinearRing(np.column_stack([flat.real, flat.imag]))
    off = shapely.distance(shapely.points(ring.real, ring.imag), line)
    assert off.max() <= 1.5 * tolerance
    assert len(path.segments) <= 6


def test_sides_that_all_but_touch_are_joined_there() -> None:
    """Their tangents met 2 px on: the cubic was moved there and left its points by 1.1 px."""
    arc = Arc(108.064 + 451.965j, 111.495 + 454.530j, -0.2379)
    cubic = Cubic(114.517 + 432.420j, 106.050 + 436.960j, 104.390 + 447.957j, 108.185 + 451.952j)
    sides = (arc, Line(arc.end, cubic.start), cubic)
    points = np.concatenate([s.at(np.linspace(0, 1, 40, endpoint=False)) for s in sides])
    ring = ring_of(points)
    assert ring is not None
    found = Corners(
        index=np.array([np.abs(ring.even - cubic.end).argmin()]),
        tip=np.array([107.96 + 452.09j]),
        turn=np.array([-0.417]),
        reach=np.array([0.87]),
        drawn=np.array([False]),
    )
    chain = Chain(sides, (False, False), closed=False)
    path = Path(joined(ring, [chain], found, 0.1, no_tips=np.array([False])))
    flat = path.points(0.001)
    line = shapely.LinearRing(np.column_stack([flat.real, flat.imag]))
    assert shapely.distance(shapely.points(points.real, points.imag), line).max() < 0.1
    assert len(path.segments) == len(sides)


def needle(degrees: float, noise: float, seed: int) -> tuple[ComplexArray, complex]:
    """Return a ring 60 px long with noise that runs out to a point, and the point.

    Its last 4 px are even, as where a ring was drawn out to a tip.
    """
    rng = np.random.default_rng(seed)
    tip = 60 + 0j
    back = np.arange(0.6, 60, 0.6)
    half = np.exp(1j * math.radians(degrees / 2))
    off = np.where(back < 4, 0.0, noise * rng.normal(size=(2, len(back))))
    below, above = tip - back / half + 1j * off[0], tip - back * half + 1j * off[1]
    end = 1j * np.arange(above[-1].imag, below[-1].imag, -0.6)[1:] + above[-1].real
    return np.concatenate([below[::-1], [tip], above, end]).conj(), tip


@pytest.mark.parametrize("seed", range(6))
def test_a_tip_of_the_ring_is_a_node(seed: int) -> None:
    """Fitted to noisy points, the sides of so narrow a tip cross up to .18 px off it."""
    ring, tip = needle(6.0, 0.04, seed)
    (shape,) = fit_drawing(region(ring), 0.1, pixel_mm=1.0).drawing.shapes
    assert min(abs(s.start - tip) for s in shape.outer.segments) < 0.02


@pytest.mark.parametrize("degrees", [6.0, 30.0, 60.0, 75.0])
def test_a_ring_that_goes_out_to_its_tip_is_taken_at_its_word(degrees: float) -> None:
    ring, tip = needle(degrees, 0.0, 0)
    sampled = ring_of(ring)
    assert sampled is not None
    found = corners(sampled, 0.1)
    assert tip in found.tip[found.drawn].tolist()


def test_a_tip_of_the_ring_is_given_up_where_tips_are_not_to_go_out() -> None:
    """Two tips that all but touched crossed, and the first remedy left both as they were."""
    ring, tip = needle(30.0, 0.0, 0)
    fit = fit_ring(ring, 0.1)
    sharp, short = fit.path(0.1), fit.path(0.1, no_tips=fit.all_corners)
    assert min(abs(s.start - tip) for s in sharp.segments) < 0.02
    assert min(abs(s.start - tip) for s in short.segments) > 0.5


@pytest.mark.parametrize(
    ("degrees", "turn", "place"),
    [(30, 0.25, (0.1, 0.2)), (44, 0.25, (0.4, 0.7)), (60, 0.0, (0.5, 0.8)), (60, 0.5, (0.2, 0.5))],
)
def test_a_sharp_tip_is_not_blunt(degrees: float, turn: float, place: tuple[float, float]) -> None:
    """The line that matched the pixels lacked enough of the tip to pass for a blunt one."""
    tip = 50 + 50j + complex(*place)
    way, half = np.exp(1j * math.pi * turn), math.radians(degrees / 2)
    ends = [tip - 34 * way * np.exp(1j * h) / math.cos(half) for h in (half, -half)]
    shape = shapely.Polygon([(z.real, z.imag) for z in (tip, *ends)])
    outline = fitted_drawing(clipped(shape, 100).values)
    assert outline.nodes == 3
    assert outline.corners is not None
    assert np.hypot(*(outline.corners.points - (tip.real, tip.imag)).T).min() < 0.02


def test_only_a_tip_with_vertices_up_to_it_is_the_rings_own() -> None:
    """Where the pixels ended a ring its last edges can be long and straight."""
    ring, tip = needle(16.0, 0.0, 0)
    ended = ring[np.abs(ring - tip) > 5.2]
    k = int(np.argmax(ended.real))
    ended = np.insert(ended, k + (ended[k].imag > 0), tip - 1.0)
    for points, own in ((ring, 1), (ended, 0)):
        sampled = ring_of(points)
        assert sampled is not None
        assert corners(sampled, 0.1).drawn.sum() == own
