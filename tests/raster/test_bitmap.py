"""Small bitmaps that were enlarged: their true pixels are found, and no others."""

import numpy as np
import pytest
from PIL import Image

from tests.raster.encode import anchor, encoded, on_white
from tests.raster.inks import codes, one
from tracer.contour.enlarged import reduced
from tracer.pipeline import trace
from tracer.settings import Settings, Size, SizeBy


def test_an_enlarged_bitmap_is_found_and_other_pictures_are_not() -> None:
    small = anchor(100, 120)
    for factor in (2, 3, 5):
        large = np.kron(255 - small, np.ones((factor, factor), np.uint8))
        coverage = one(Image.fromarray(large))
        assert coverage.pixel_size == factor
        assert coverage.values.shape == large.shape
        assert codes(coverage) >= {"W_ENLARGED"}
        assert np.array_equal(reduced(coverage)[0].values, one(Image.fromarray(255 - small)).values)
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
    """3.3, 2.5 and 4.39 times, by Pillow's nearest neighbour: the small one comes back."""
    small = Image.fromarray(255 - anchor(100, 120))
    if two:
        small = small.point(lambda level: 255 * (level > 127))
    large = small.resize(size, Image.Resampling.NEAREST)
    coverage = one(large)
    assert coverage.pixel_size == pytest.approx(size[0] / 120, abs=0.01)
    assert "W_ENLARGED" in codes(coverage)
    assert reduced(coverage)[0].values == pytest.approx(one(small).values, abs=1e-6)


def test_the_steps_of_an_enlarged_bitmap_are_found_through_jpeg() -> None:
    small = np.where(anchor(100, 120) > 127, 0, 255).astype(np.uint8)
    large = Image.fromarray(np.kron(small, np.ones((6, 6), np.uint8)))
    assert one(encoded(large, "JPEG")).pixel_size == 6
    assert one(encoded(on_white(anchor(600, 720)), "JPEG")).pixel_size == 1


def test_an_enlarged_bitmap_is_drawn_as_the_small_one_is() -> None:
    """The same outline with the same nodes at the same size, whatever the enlarging."""
    small = Image.fromarray(255 - anchor(100, 120))
    settings = Settings(Size(SizeBy.WIDTH, 40.0))
    plain, larger = (
        trace(encoded(image, "PNG"), "artwork", settings)
        for image in (small, small.resize((480, 400), Image.Resampling.NEAREST))
    )
    assert larger.coverage.pixel_size == 4
    ours, theirs = larger.fitted.drawing, plain.fitted.drawing
    assert [len(p.segments) for p in ours.paths] == [len(p.segments) for p in theirs.paths]
    assert ours.bounds == pytest.approx(theirs.bounds, abs=1e-6)
    assert larger.mended.verdict is plain.mended.verdict
