"""Alpha that is more than a clean edge: it fades, it is blurred, it is noise."""

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.raster.encode import anchor
from tests.raster.inks import codes, one, refused
from tracer.raster.scalar import FloatImage

INK = (anchor(400, 400) / 255).astype(np.float32)
ACROSS = np.linspace(0, 1, 400, dtype=np.float32)


def clear(alpha: FloatImage) -> Image.Image:
    """Return black of that alpha."""
    black = np.zeros((*alpha.shape, 4), np.uint8)
    black[..., 3] = np.rint(255 * alpha)
    return Image.fromarray(black)


@pytest.mark.parametrize("loss", [0.7, 0.9])
def test_a_design_that_fades_in_alpha_is_taken_whole(loss: float) -> None:
    """Its edge is where half of what it is opaque just inside is covered (Porter and Duff 1984)."""
    alpha = INK * (1 - loss * ACROSS)
    lost = np.count_nonzero((alpha >= 0.5) != (INK >= 0.5))
    assert lost > 0.02 * np.count_nonzero(INK >= 0.5)  # the ruler: ten times what is allowed
    coverage = one(clear(alpha))
    assert "W_SHADED" in codes(coverage)
    wrong = np.count_nonzero((coverage.values >= 0.5) != (INK >= 0.5))
    assert wrong < 0.002 * np.count_nonzero(INK >= 0.5)


def test_a_hard_shadow_does_not_make_a_design_one_that_fades() -> None:
    shadow = 0.4 * np.roll(INK, (12, 12), (0, 1))
    coverage = one(clear(INK + shadow * (1 - INK)))
    assert "W_SHADED" not in codes(coverage)
    assert coverage.values.sum() == pytest.approx(INK.sum(), rel=0.02)


def test_a_blur_all_round_is_no_shadow_and_keeps_its_half_way_line() -> None:
    y, x = np.mgrid[:400, :400]
    disc = np.clip(150.5 - np.hypot(x - 200, y - 200), 0, 1)
    blurred = np.asarray(ndimage.gaussian_filter(disc, 16), dtype=np.float32)
    coverage = one(clear(blurred))
    assert "W_SOFT" in codes(coverage)
    assert np.array_equal(coverage.values >= 0.5, np.rint(255 * blurred) >= 127.5)


@pytest.mark.parametrize("tones", [2, 256])
def test_noise_in_alpha_is_named_before_it_is_traced(tones: int) -> None:
    drawn = np.random.default_rng(1).integers(0, tones, (300, 300)) / (tones - 1)
    assert refused(clear(drawn.astype(np.float32))) == "E_TOOCOMPLEX"
