"""Ink on paper as it comes: rulings, pencil, shadows, and screens that stand for a tone."""

from typing import Any

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.raster.encode import anchor, encoded
from tests.raster.inks import codes, one, refused, topics
from tests.raster.test_ink import halftone
from tracer.raster.paper import _paper_and_ink

ROWS, COLUMNS = 400, 480
TRUE = anchor(ROWS, COLUMNS) / 255
Y, X = np.mgrid[:ROWS, :COLUMNS].astype(float)
PEN = 1 - 0.9 * ndimage.gaussian_filter(TRUE, 0.8)
"""What is left of the paper's brightness where a pen of nearly black ink drew."""


def sheet(brightness: Any) -> Image.Image:
    """Return paper of some texture, seen by a scanner with a little noise; the ink on top."""
    rng = np.random.default_rng(8)
    texture = ndimage.gaussian_filter(rng.normal(0, 1, (ROWS, COLUMNS)), 1.5)
    paper = 0.93 + 0.02 * texture / texture.std()
    if brightness.ndim == 3:
        paper, pen = paper[..., None], PEN[..., None]
    else:
        pen = PEN
    seen = (
        paper * brightness * pen
        + rng.normal(0, 0.01, (ROWS, COLUMNS))[..., *([None] * (brightness.ndim - 2))]
    )
    return Image.fromarray(np.rint(255 * np.clip(seen, 0, 1)).astype(np.uint8))


def squared(dark: float, first: int = 7) -> Any:
    lines = ((X - first) % 24 < 2) | ((Y - first) % 24 < 2)
    return 1 - dark * ndimage.gaussian_filter(lines.astype(float), 0.6)


def pencil(dark: float) -> Any:
    """Return a construction drawing: a large circle and lines through the middle."""
    away = np.abs(np.hypot(X - 240, Y - 200) - 180)
    lines = (away < 1.5) | (np.abs(X - 240) < 1) | (np.abs(Y - 200) < 1)
    return 1 - dark * ndimage.gaussian_filter(lines.astype(float), 0.7)


def shadow(kind: str) -> Any:
    match kind:
        case "fold":
            return 1 - 0.35 * np.exp(-(((X - 250) / 9) ** 2))
        case "half in shade":
            return ndimage.gaussian_filter(np.where(X > 300, 0.72, 1.0), 2)
        case _:  # of a hand
            return 1 - 0.5 / (1 + np.exp(-(X + Y - 650) / 12))


@pytest.mark.parametrize(
    "under",
    [squared(0.12), squared(0.3), pencil(0.25), pencil(0.4), shadow("fold"),
     shadow("half in shade"), shadow("hand")],
    ids=["faint squares", "squares", "pencil", "soft pencil", "fold", "half in shade", "hand"],
)  # fmt: skip
def test_what_lies_under_the_ink_is_none(under: Any) -> None:
    """At most one pixel in 100 of the outline's is on the wrong side of it.

    The outline is some 4,000 px long; a blur of 0.8 px and the noise leave a few dozen.
    """
    coverage = one(sheet(under))
    wrong = (coverage.values >= 0.5) != (TRUE >= 0.5)
    assert np.count_nonzero(wrong) < 0.005 * np.count_nonzero(TRUE >= 0.5)


@pytest.mark.parametrize("first", [7, 0])
def test_blue_squares_under_black_ink(first: int) -> None:
    """Printed in pale blue; `first` 0: a line runs along the very border."""
    blue = np.array([0.62, 0.78, 0.92])
    coverage = one(sheet(1 - (1 - squared(1.0, first))[..., None] * (1 - blue)))
    assert "W_RULED" in codes(coverage)
    wrong = (coverage.values >= 0.5) != (TRUE >= 0.5)
    assert np.count_nonzero(wrong) < 0.01 * np.count_nonzero(TRUE >= 0.5)


def test_pale_ink_that_ends_on_the_sheet_is_ink() -> None:
    picture = np.full((ROWS, COLUMNS, 3), 255, np.uint8)
    picture[50:350, 60:200] = (20, 20, 20)
    for row in range(60, 340, 20):
        picture[row : row + 4, 260:440] = (158, 199, 235)
    coverage = one(Image.fromarray(picture))
    assert "W_RULED" not in codes(coverage)
    assert (coverage.values[61:63, 262:438] > 0.9).all()


def test_coloured_ink_on_unevenly_lit_paper() -> None:
    red, cream = np.array([0.7, 0.1, 0.15]), np.array([0.98, 0.95, 0.88])
    soft = ndimage.gaussian_filter(TRUE, 0.8)[..., None]
    picture = (cream + soft * (red - cream)) * (1 - 0.4 * X / COLUMNS)[..., None]
    picture = picture + np.random.default_rng(6).normal(0, 0.01, (ROWS, COLUMNS, 1))
    coverage = one(Image.fromarray(np.rint(255 * np.clip(picture, 0, 1)).astype(np.uint8)))
    wrong = (coverage.values >= 0.5) != (TRUE >= 0.5)
    assert np.count_nonzero(wrong) < 0.01 * np.count_nonzero(TRUE >= 0.5)


def test_shaded_ink_on_a_plain_ground_is_all_ink() -> None:
    """From a third to full, as a gradient fill; on white, on colour, and through JPEG."""
    share = TRUE * (0.35 + 0.65 * Y / ROWS)
    grey = Image.fromarray(np.rint(255 * (1 - share)).astype(np.uint8))
    white, red = np.array([255, 255, 255]), np.array([150, 20, 30])
    colour = Image.fromarray(np.rint(white + share[..., None] * (red - white)).astype(np.uint8))
    for given in (encoded(grey, "PNG"), encoded(colour, "PNG"), encoded(grey, "JPEG")):
        coverage = one(given)
        wrong = (coverage.values >= 0.5) != (TRUE >= 0.5)
        assert np.count_nonzero(wrong) < 0.01 * np.count_nonzero(TRUE >= 0.5)
    assert "W_SHADED" in codes(one(grey))


@pytest.mark.parametrize("strength", [0.35, 0.45])
def test_a_shadow_or_glow_on_white_is_none_of_the_design(strength: float) -> None:
    dark = strength * ndimage.gaussian_filter(np.roll(TRUE, (7, 7), (0, 1)), 5)
    coverage = one(Image.fromarray(np.rint(255 * (1 - TRUE) * (1 - dark)).astype(np.uint8)))
    wrong = (coverage.values >= 0.5) != (TRUE >= 0.5)
    assert np.count_nonzero(wrong) < 0.01 * np.count_nonzero(TRUE >= 0.5)


@pytest.mark.parametrize("cell", [8, 14])
def test_a_screen_from_light_to_dark_is_named(cell: int) -> None:
    """Dots where it is light, holes where it is dark, neither side most of the ink."""
    y, x = np.mgrid[:800, :960]
    turned, across = (x + y) / 2**0.5, (y - x) / 2**0.5
    dots = (np.cos(turned * 2 * np.pi / cell) + np.cos(across * 2 * np.pi / cell)) / 4 + 0.5
    tone = 0.1 + 0.8 * x / 960
    assert refused(Image.fromarray(np.where(dots > 1 - tone, 0, 255).astype(np.uint8))) == (
        "E_TOOCOMPLEX"
    )


def test_a_design_filled_with_dots_is_pointed_out() -> None:
    dots = np.asarray(halftone(1000))[:ROWS, :COLUMNS]
    picture = np.where(TRUE > 0.5, dots, 255).astype(np.uint8)
    coverage = one(Image.fromarray(picture))
    assert "W_SCREEN" in codes(coverage)
    assert "halftone" in topics(coverage)["screen"]


def test_paper_and_ink_of_16_bits_are_exact() -> None:
    """Levels that no 8 bits hold: a pixel's coverage comes back to the rounding of its level."""
    paper, ink = 60_123, 5_021
    levels = np.rint(paper + TRUE * (ink - paper)).astype(np.uint16)
    values = one(Image.fromarray(levels)).values
    assert np.abs(values - TRUE).max() < 0.5 / (paper - ink) + 2**-22  # and that of float32


@pytest.mark.parametrize("bits", [8, 16])
def test_a_class_without_pixels_is_no_fault(bits: int) -> None:
    """One level all over, as a ratio of a picture and its paper can be."""
    white = 2**bits - 1
    levels = np.full((9, 9), white // 2, np.uint8 if bits == 8 else np.uint16)
    paper, ink, _ = _paper_and_ink(levels, white, ink_dark=True)
    assert paper == pytest.approx(white // 2 / white, rel=1e-12)
    assert ink == 0
