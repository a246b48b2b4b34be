"""Lines, circles and cubics recovered from samples of them, against the curves themselves."""

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.curves.segments import Arc, Cubic
from tracer.fit.arc import fit_circles, sweeps
from tracer.fit.chain import foot
from tracer.fit.choose import CUBIC, price
from tracer.fit.cubic import fit_cubics, well_formed
from tracer.fit.line import fit_lines

ANGLES = st.floats(0, 2 * math.pi)


@given(angle=ANGLES, far=st.floats(-1e4, 1e4), length=st.floats(1, 1e3))
def test_a_sampled_line_comes_back(angle: float, far: float, length: float) -> None:
    direction = cmath.exp(1j * angle)
    points = np.asarray(far * (1 + 1j) + direction * np.linspace(0, length, 20), np.complex128)
    middle, found, off = fit_lines(points[None, :])
    # rounding of numbers of size `far`, spread over the length
    assert abs(found[0] - direction) < 1e-10 + 1e-12 * abs(far) / length
    assert np.abs(off).max() < 1e-9
    assert abs(middle[0] - points.mean()) < 1e-9


@given(
    angle=ANGLES,
    sweep=st.floats(0.15, 5.9),  # from the start to the 11th of 20 points is less than half a turn
    radius=st.floats(1, 1e4),
    centre=st.complex_numbers(max_magnitude=1e4),
)
def test_a_sampled_arc_comes_back(
    angle: float, sweep: float, radius: float, centre: complex
) -> None:
    points = centre + radius * np.exp(1j * (angle + sweep * np.linspace(0, 1, 20)))
    found, size, off = fit_circles(points[None, :])
    # the height of the arc over its chord, r sweep^2 / 8, carries the radius; numbers of size
    # |centre| + r are exact to 1e-16 of that
    slack = 1e-11 * (abs(centre) + radius) / sweep**4 + 1e-9
    assert abs(found[0] - centre) < slack
    assert abs(size[0] - radius) < slack
    turned = sweeps(points[:1], points[10:11], points[-1:], found)
    assert turned[0] == pytest.approx(sweep, abs=1e-4)
    assert np.abs(off).max() < 1e-6


def test_a_noisy_short_arc_keeps_its_radius() -> None:
    """Algebraic fits shrink short arcs (N. Chernov, "Circular and Linear Regression", 2010)."""
    rng = np.random.default_rng(5)
    arc = 50 * np.exp(1j * np.linspace(0, 0.8, 60))
    noise = rng.normal(0, 0.05, (400, 60))
    noisy = np.asarray(arc * (1 + noise / 50), np.complex128)
    _, radius, _ = fit_circles(noisy)
    # scatter of one fit 0.05 / sagitta 4 px * 50 px / sqrt(60) = 0.08 px, of the mean of 400 0.01
    assert abs(np.median(radius) - 50) < 0.1


def test_exactly_straight_points_are_no_circle() -> None:
    _, radius, off = fit_circles(np.arange(20, dtype=np.complex128)[None, :])
    assert math.isinf(radius[0]) or np.abs(off).max() < 1e-6
    assert not radius[0] < 1e4


CUBICS = st.builds(
    lambda a, b, turn: Cubic(0j, 30 * cmath.exp(1j * a), 100 - 30 * cmath.exp(1j * b), 100 + 0j)
    .mapped(cmath.exp(1j * turn), 7 - 3j),
    st.floats(-1.2, 1.2),
    st.floats(-1.2, 1.2),
    ANGLES,
)  # fmt: skip


@given(CUBICS)
def test_a_sampled_cubic_comes_back(cubic: Cubic) -> None:
    points = cubic.at(np.linspace(0, 1, 40))
    control1, control2, off = fit_cubics(points[None, :], rounds=40)
    # handles of a nearly straight cubic may slide along it, and settle slowly: the curve counts,
    # to a tenth of the finest tolerance of a fit (0.1 px)
    assert np.abs(off).max() < 1e-2
    found = Cubic(points[0], complex(control1[0]), complex(control2[0]), points[-1])
    t = np.linspace(0, 1, 200)
    away = found.at(foot(found, cubic.at(t))) - cubic.at(t)
    assert np.abs(away).max() < 1e-2
    assert well_formed(points[:1], control1, control2, points[-1:])[0]


def test_a_quarter_circle_as_a_cubic_has_the_textbook_handles() -> None:
    """4/3 tan(pi/8) = 0.5523 (M. Goldapp 1991: least error 0.0273 % with 0.5519)."""
    points = 100 * np.exp(1j * np.linspace(0, math.pi / 2, 40))
    control1, _, off = fit_cubics(points[None, :], rounds=60)
    assert control1[0].imag / 100 == pytest.approx(0.552, abs=0.004)
    assert np.abs(off).max() < 0.03


@pytest.mark.parametrize(
    ("control1", "control2", "sound"),
    [
        (30 + 30j, 70 + 30j, True),
        (30 + 30j, 70 - 30j, True),
        (130 + 90j, -30 + 90j, False),  # a loop
        (130 + 0j, 70 + 5j, False),  # a handle longer than the span
        (-20 + 0j, 70 + 5j, False),  # sets off backwards
    ],
)
def test_ill_formed_cubics_are_seen(control1: complex, control2: complex, sound: bool) -> None:
    ends = np.array([0j]), np.array([100 + 0j])
    found = well_formed(ends[0], np.array([control1]), np.array([control2]), ends[1])
    assert found[0] == sound


@given(CUBICS, st.floats(0.02, 0.98), st.floats(-1, 1))
def test_the_foot_on_a_cubic_is_the_nearest_point(cubic: Cubic, t: float, away: float) -> None:
    """Against the nearest of 20,001 places, for points nearer than the least radius."""
    place = cubic.at(np.array([t]))
    ahead = cubic.at(np.array([t + 1e-6])) - place
    point = place + away * 1j * ahead / abs(ahead[0])
    found = foot(cubic, point)
    brute = np.abs(cubic.at(np.linspace(0, 1, 20001)) - point).min()
    assert abs(cubic.at(found)[0] - point[0]) <= brute + 1e-4


def test_the_foot_on_an_arc_of_five_quarters() -> None:
    arc = Arc(10 + 0j, complex(10 * cmath.exp(5j)), 5.0)
    t = np.linspace(0.01, 0.99, 50)
    assert foot(arc, arc.at(t) * 1.05) == pytest.approx(t, abs=1e-9)


def test_what_nothing_fits_still_has_directions_at_its_ends() -> None:
    """Such cubics began with both handles of no length, and the chain that held them ran away."""
    zigzag = np.asarray(np.arange(200) + 3j * (np.arange(200) % 2), np.complex128)
    ends = np.array([0]), np.array([199])
    piece = price(zigzag, *ends, 1.0, np.full(200, 0.1))
    assert piece.kind[0] == CUBIC
    chord = zigzag[199] - zigzag[0]
    for handle in (piece.control1[0] - zigzag[0], zigzag[199] - piece.control2[0]):
        assert abs(handle - chord / 3) < 1e-9
