"""The grid that sides were drawn on: found where there is one, and nowhere else."""

import numpy as np
import pytest

from tests.fit.shapes import polygon, region, sampled
from tracer.curves.segments import Line
from tracer.fit.drawing import fit_drawing
from tracer.fit.grid import find_grid

PITCH = 512 / 24  # of an icon of 24 units at 512 px: no whole number of pixels
WHOLE = np.array([1, 2, 5, 7, 10, 11, 14, 17, 19, 22])


def quarters(values: np.ndarray) -> np.ndarray:
    """Round as a renderer with four samples a pixel does: off by up to 0.125 px."""
    return np.asarray(np.round(values * 4) / 4, dtype=np.float64)


def test_a_grid_is_known_better_than_its_sides() -> None:
    true = 3.1 + PITCH * WHOLE, -1.7 + PITCH * (WHOLE - 4)
    grid = find_grid(quarters(true[0]), quarters(true[1]), 0.2)
    assert grid is not None
    assert grid.pitch == pytest.approx(PITCH, abs=0.125 / 22)
    for axis, values in enumerate(true):
        for value in values.tolist():
            # twenty roundings by chance: 0.07 px / sqrt(20), thrice that
            line = grid.line(axis, float(np.round(value * 4) / 4))
            assert line == pytest.approx(value, abs=0.05)


def test_sides_off_the_grid_are_left_alone() -> None:
    across = np.append(PITCH * WHOLE, 3.3 * PITCH)
    grid = find_grid(across, PITCH * WHOLE, 0.2)
    assert grid is not None
    assert grid.line(0, 3.3 * PITCH) is None


def test_sides_half_way_lie_on_the_grid_too() -> None:
    grid = find_grid(PITCH * WHOLE, PITCH * WHOLE, 0.2)
    assert grid is not None
    assert grid.line(1, 8.5 * PITCH + 0.1) == pytest.approx(8.5 * PITCH, abs=0.02)


@pytest.mark.parametrize("count", [3, 6, 10, 20, 40])
def test_chance_makes_no_grid(count: int) -> None:
    """Two hundred sets of sides anywhere in 512 px: evidence of e^9 is wrong once in 8000."""
    rng = np.random.default_rng(count)
    sets = [512 * rng.random((2, count)) for _ in range(200)]
    assert not any(find_grid(across, up, 0.2) for across, up in sets)


def test_too_few_sides_say_nothing() -> None:
    assert find_grid(PITCH * WHOLE[:2], PITCH * WHOLE[:2], 0.2) is None


def test_a_stair_on_a_grid_gets_exact_steps_and_says_so() -> None:
    """Steps of 10 px with a shift of each side by up to 0.04 px, within the tolerance."""
    rng = np.random.default_rng(2)
    x = 10.0 * np.arange(9) + rng.uniform(-0.04, 0.04, 9)
    y = 10.0 * np.arange(9) + rng.uniform(-0.04, 0.04, 9)
    steps = [complex(x[k], y[k + j]) for k in range(1, 8) for j in (0, 1)]
    corners = [complex(x[0], y[0]), complex(x[0], y[1]), *steps, complex(x[8], y[8])]
    corners += [complex(x[8], y[0])]
    ring = sampled(polygon([complex(z.real, -z.imag) for z in corners]), noise=0.005)
    result = fit_drawing(region(ring), 0.1, pixel_mm=1.0)
    places = [s.start.real for s in result.drawing.segments if isinstance(s, Line)]
    gaps = np.diff(np.unique(np.round(places, 6)))
    assert np.ptp(gaps) < 1e-5
    assert any("put on the grid" in sentence for sentence in result.regularised)
