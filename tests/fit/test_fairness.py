"""Curves drawn by hand come back smooth: no wiggles that were not drawn."""

import numpy as np
import pytest

from tests.bench.methods import fitted_drawing, raw_contour
from tests.bench.renderings import RENDERINGS
from tests.drawings import TrueDrawing
from tests.rulers import sign_changes
from tests.truth import Floats

PIXELS = 256


def by_hand(seed: int) -> Floats:
    """Return a closed line as a hand draws one: eight waves of falling height, no corner."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 2 * np.pi, 1500, endpoint=False)
    waves = sum(
        rng.normal() / k**1.5 * np.cos(k * t + rng.uniform(0, 2 * np.pi)) for k in range(2, 9)
    )
    radius = 70 * np.exp(0.25 * np.asarray(waves))
    return np.column_stack([128.3 + radius * np.cos(t), 127.6 + radius * np.sin(t)])


@pytest.mark.parametrize(
    ("rendering", "share"),
    # Measured over 12 lines: 1.00 but for 1-bit, 1.17; over any 6 of them up to a pair more. A
    # staircase says less of where a curve bends.
    [("alpha", 1.1), ("jpeg60", 1.1), ("blur", 1.1), ("bit", 1.25)],
)
def test_hardly_more_changes_of_curvature_than_were_drawn(rendering: str, share: float) -> None:
    ours, true = 0, 0
    for seed in range(12):
        line = by_hand(seed)
        path = "M" + "L".join(f"{x:.4f} {y:.4f}" for x, y in line) + "Z"
        drawing = TrueDrawing(f"hand-{seed}", path, (0, 0, PIXELS))
        outline = fitted_drawing(RENDERINGS[rendering](drawing, PIXELS))
        ours += sign_changes(outline.rings)
        true += sign_changes([line])
    assert true > 40
    assert ours <= share * true


def test_the_level_line_of_a_staircase_is_not_fair() -> None:
    """What the ruler is for: before any fit the curvature changes at every step."""
    line = by_hand(1)
    path = "M" + "L".join(f"{x:.4f} {y:.4f}" for x, y in line) + "Z"
    outline = raw_contour(RENDERINGS["bit"](TrueDrawing("hand", path, (0, 0, PIXELS)), PIXELS))
    assert sign_changes(outline.rings) > 10 * sign_changes([line])
