"""The benchmark of curves runs, and the contours hold what it measured (issue 3)."""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.bench.curves import attempt, main, measure
from tests.bench.renderings import RENDERINGS
from tests.drawings import mixed
from tests.truth import true_outline


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rendering", "p95"),
    [
        # twice what 60 drawings showed at 512 px, where corners take half the share of the outline
        ("alpha", 2 * 0.013),
        # the renderer puts upright and level edges off by up to 0.125 px
        ("quarters", 0.125),
        ("blur", 2 * 0.097),
        ("jpeg60", 2 * 0.109),
    ],
)
def test_refined_rings_lie_on_the_true_outline(rendering: str, p95: float) -> None:
    rows = []
    for drawing in mixed(6):
        truth = true_outline(drawing, 256)
        values = RENDERINGS[rendering](drawing, 256)
        outline, ms, trouble = attempt("ring", values)
        assert outline is not None, trouble
        rows.append(measure(outline, truth, drawing.name, ms))
    assert np.median([row.p95 for row in rows]) < p95


def test_every_rendering_shows_the_same_drawing() -> None:
    drawing = next(iter(mixed(6)))
    region = true_outline(drawing, 128).region
    for name, rendering in RENDERINGS.items():
        values = rendering(drawing, 128)
        assert values.dtype == np.float32, name
        # edges lie up to so much off, all of them one way at worst; by area only 8 bits round
        off = {"bit": 0.5, "quarters": 0.125, "alpha": 1 / 256, "white": 1 / 256}
        worst = region.length * off.get(name, 0.125)
        assert float(values.sum()) == pytest.approx(region.area, abs=worst), name


def test_two_renderers_agree_within_the_quarter_of_a_pixel() -> None:
    """Agg and resvg share no code; a drawing shifted or turned over in one would show."""
    for drawing in mixed(6):
        apart = np.abs(RENDERINGS["alpha"](drawing, 256) - RENDERINGS["quarters"](drawing, 256))
        assert apart.max() < 0.3  # two edges of a pixel, an eighth each, and 8 bits
        assert apart.mean() < 0.125 * true_outline(drawing, 256).region.length / 256**2


def test_the_table_and_a_sheet_a_rendering_are_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "worst.png"
    arguments = ["--limit", "6", "--pixels", "96", "--rows", "contour", "ring"]
    arguments += ["--rendering", "alpha", "bit"]
    assert main([*arguments, "--sheet", str(sheet), "--worst", "2"]) == 0
    table = capsys.readouterr().out
    assert "alpha, 96 px, 6 drawings" in table
    assert [line.split()[0] for line in table.splitlines()[3:5]] == ["contour", "ring"]
    pictures = []
    for rendering in ("alpha", "bit"):
        with Image.open(tmp_path / f"worst-{rendering}-96.png") as image:
            assert image.width > 1000
            pictures.append(image.tobytes())
    assert pictures[0] != pictures[1]
