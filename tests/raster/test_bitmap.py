"""Small bitmaps that were enlarged: their true pixels are found, and no others."""

import numpy as np
import pytest
from PIL import Image

from tests.raster.encode import anchor, encoded, on_white
from tests.raster.test_ink import codes, one


def test_an_enlarged_bitmap_is_found_and_other_pictures_are_not() -> None:
    small = anchor(100, 120)
    for factor in (2, 3, 5):
        large = np.kron(255 - small, np.ones((factor, factor), np.uint8))
        coverage = one(Image.fromarray(large))
        assert coverage.pixel_size == factor
        assert coverage.values.shape == large.shape
        assert codes(coverage) >= {"W_ENLARGED"}
        assert coverage.values.mean() == pytest.approx(small.mean() / 255, rel=0.01)
    two = np.where(small > 127, 0, 255).astype(np.uint8)
    assert one(Image.fromarray(np.kron(two, np.ones((4, 4), np.uint8)))).pixel_size == 4
    ladder = np.full((240, 160), 255, np.uint8)
    ladder[20:220, 20:40] = ladder[20:220, 120:140] = 0
    for rung in range(40, 220, 24):
        ladder[rung : rung + 8, 20:140] = 0
    assert one(Image.fromarray(ladder)).pixel_size == 1
    board = np.full((28 * 16, 28 * 16), 255, np.uint8)
    code = np.random.default_rng(4).integers(0, 2, (21, 21), dtype=np.uint8)
    board[48 : 48 + 21 * 16, 48 : 48 + 21 * 16] = np.kron(code, np.ones((16, 16), np.uint8)) * 255
    assert one(Image.fromarray(board)).pixel_size == 1


@pytest.mark.parametrize("size", [(396, 330), (300, 250), (527, 439)])
@pytest.mark.parametrize("two", [False, True])
def test_a_bitmap_enlarged_by_no_whole_number(size: tuple[int, int], *, two: bool) -> None:
    """3.3, 2.5 and 4.39 times, by nearest neighbour: as if Pillow had enlarged it smoothly."""
    small = Image.fromarray(255 - anchor(100, 120))
    if two:
        small = small.point(lambda level: 255 * (level > 127))
    large = small.resize(size, Image.Resampling.NEAREST)
    coverage = one(large)
    assert coverage.pixel_size == pytest.approx(size[0] / 120, abs=0.01)
    assert "W_ENLARGED" in codes(coverage)
    smooth = 1 - np.asarray(small.resize(size, Image.Resampling.BICUBIC)) / 255
    stairs = 1 - np.asarray(large) / 255
    assert np.abs(coverage.values - smooth).mean() < 0.15 * np.abs(stairs - smooth).mean()


def test_the_steps_of_an_enlarged_bitmap_are_found_through_jpeg() -> None:
    small = np.where(anchor(100, 120) > 127, 0, 255).astype(np.uint8)
    large = Image.fromarray(np.kron(small, np.ones((6, 6), np.uint8)))
    assert one(encoded(large, "JPEG")).pixel_size == 6
    assert one(encoded(on_white(anchor(600, 720)), "JPEG")).pixel_size == 1
