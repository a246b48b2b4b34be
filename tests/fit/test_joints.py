"""Joints that turn a little, that turn not at all, and chains that bend too far for one cubic."""

import cmath
import math

import numpy as np
import pytest

from tests.bench.methods import Outline, fitted_drawing
from tests.bench.renderings import alpha
from tests.drawings import TrueDrawing
from tests.fit.shapes import region
from tracer.fit.drawing import fit_drawing

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
