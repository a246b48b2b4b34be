"""Alpha that is more than a clean edge: it fades, it is blurred, it is noise."""

import cv2
import numpy as np
import pytest
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

import tracer.raster.shaded
import tracer.raster.shadow
from tests.raster.encode import anchor
from tests.raster.inks import codes, one, refused
from tracer.raster.scalar import FloatImage
from tracer.raster.shaded import outline, steep_share
from tracer.raster.shadow import without_shadow

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


def test_a_shadow_is_taken_away_alike_in_strips_and_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Large artwork is looked at in strips, each with the rows beside it that it needs."""
    shadow = 0.35 * ndimage.gaussian_filter(np.roll(INK, (6, 6), (0, 1)), 5)
    alpha = (INK + shadow * (1 - INK)).astype(np.float32)
    whole, said = without_shadow(alpha)
    assert said

    def strips(rows: int, _: int) -> list[slice]:
        return [slice(top, min(top + 3, rows)) for top in range(0, rows, 3)]

    for module in (tracer.raster.shadow, tracer.raster.shaded):
        monkeypatch.setattr(module, "strips", strips)
    parts, _ = without_shadow(alpha)
    assert np.abs(parts - whole).max() < 1e-5  # sums of up to 31 x 31 float32
    edge = outline(alpha >= 0.5)
    steep = cv2.morphologyEx(alpha, cv2.MORPH_GRADIENT, np.ones((5, 5), np.uint8))[edge] > 0.9
    assert steep_share(alpha, edge, 0.9) == steep.mean()
    assert 0 < steep.mean() < 1
