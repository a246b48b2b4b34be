"""What is ink: every way of telling it, against designs whose coverage is known."""

import io
from collections.abc import Callable

import numpy as np
import png
import pytest
import shapely
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.contour.shapes import clipped
from tests.raster.encode import anchor, encoded, on_white
from tests.raster.inks import INK, STEP, TRUE, codes, levels, one, refused, rgba, topics

# ------------------------------------------------------------------ alpha


def test_alpha_is_coverage_as_it_is_whatever_the_colour() -> None:
    """W3C PNG, Third Edition, 12.4 and 13.16: alpha is linear and not premultiplied."""
    rng = np.random.default_rng(1)
    for colour in ((0, 0, 0), (255, 255, 255), (200, 0, 0), rng.integers(0, 256, (200, 240, 3))):
        coverage = one(rgba(colour, INK))
        assert np.abs(coverage.values - TRUE).max() < 1e-6
        assert "W_ALPHA" not in codes(coverage)


def test_sixteen_bit_alpha_keeps_its_precision() -> None:
    """pypng writes it, as a second hand."""
    alpha = (TRUE.astype(np.float64) * 65535 * 0.999).astype(np.uint16)
    rows = np.zeros((*alpha.shape, 2), np.uint16)
    rows[..., 1] = alpha
    stream = io.BytesIO()
    png.Writer(240, 200, greyscale=True, alpha=True, bitdepth=16).write(
        stream, rows.reshape(200, -1).tolist()
    )
    assert np.abs(one(stream.getvalue()).values - alpha / 65535).max() < 1e-6


def test_alpha_that_says_nothing_gives_way_to_brightness_and_is_said() -> None:
    grey = np.repeat((255 - INK)[..., None], 3, axis=2)
    for value, code in ((255, set[str]()), (254, {"W_ALPHA"})):
        coverage = one(rgba(grey, np.full(INK.shape, value, np.uint8)))
        assert np.abs(coverage.values - TRUE).max() <= STEP
        assert codes(coverage) == code
        assert "alpha" in topics(coverage)
    stray = np.full(INK.shape, 255, np.uint8)
    stray[0, :5] = 3
    assert "W_ALPHA" in codes(one(rgba(grey, stray)))


@pytest.mark.parametrize("alpha", [0, 1])
def test_fully_transparent_is_blank(alpha: int) -> None:
    assert refused(rgba((9, 9, 9), np.full(INK.shape, alpha, np.uint8))) == "E_BLANK"


def test_a_pale_design_is_taken_as_full_and_said() -> None:
    coverage = one(rgba((0, 0, 0), (INK * 0.6).astype(np.uint8)))
    assert "W_ALPHA" in codes(coverage)
    assert np.abs(coverage.values - TRUE).max() < 2 / 153


def test_white_inside_a_transparent_ground_is_pointed_out() -> None:
    disc = np.hypot(*(np.mgrid[:200, :240] - np.array([100, 120])[:, None, None])) < 95
    image = rgba(255 - INK[..., None], (255 * disc).astype(np.uint8))
    assert "W_AMBIGUOUS" in codes(one(image))
    assert "W_AMBIGUOUS" not in codes(one(rgba((0, 0, 0), INK)))
    dark = one(image, ink="dark")
    assert np.abs(dark.values - TRUE * disc).max() < 0.02


def test_a_soft_shadow_is_no_part_of_the_design() -> None:
    shadow = 0.35 * ndimage.gaussian_filter(np.roll(TRUE, (5, 5), (0, 1)), 4)
    alpha = np.rint(255 * (TRUE + shadow * (1 - TRUE))).astype(np.uint8)
    coverage = one(rgba((0, 0, 0), alpha))
    assert "W_SOFT" in codes(coverage)
    area, with_shadow = TRUE.sum(), (alpha / 255).sum()
    assert with_shadow > 1.05 * area  # the ruler: it would be noticed
    assert coverage.values.sum() == pytest.approx(area, rel=0.02)


@pytest.mark.parametrize("degrees", [30.0, 45.0])
def test_a_shadow_is_taken_away_from_notches_as_well(degrees: float) -> None:
    """In their ends nothing is flat within 3 px: the shadow stayed there, .34 for no ink."""
    side = 60 * np.tan(np.radians(degrees / 2))
    notch = shapely.Polygon([(60.3, 40.2), (60.3 - side, 100.2), (60.3 + side, 100.2)])
    ink = clipped(shapely.box(20, 20, 100, 100) - notch, 128).values
    shadow = 0.35 * ndimage.gaussian_filter(np.roll(ink, (6, 6), (0, 1)), 5)
    off = np.abs(one(rgba((0, 0, 0), np.rint(255 * (ink + shadow * (1 - ink))))).values - ink)
    assert off.max() < 0.15  # where the shadow itself falls by as much within the notch
    assert off[(ink > 0.2) & (ink < 0.8)].mean() < 0.03


# ------------------------------------------------------------------ grey


def test_black_on_white_comes_back_exactly_and_so_does_white_on_black() -> None:
    dark, light = one(on_white(INK)), one(Image.fromarray(INK))
    assert np.abs(dark.values - TRUE).max() <= STEP
    assert np.abs(light.values - TRUE).max() <= STEP
    assert codes(dark) == set()
    assert codes(light) == {"W_INVERTED"}


def test_the_user_may_say_which_is_ink() -> None:
    assert np.abs(one(Image.fromarray(INK), ink="dark").values - (1 - TRUE)).max() <= STEP
    assert np.abs(one(on_white(INK), ink="light").values - (1 - TRUE)).max() <= STEP


def test_grey_ink_on_grey_ground_is_stretched() -> None:
    grey = np.rint(190 - TRUE * 120).astype(np.uint8)
    assert np.abs(one(Image.fromarray(grey)).values - TRUE).max() <= 1.5 / 120


def test_sixteen_bit_grey() -> None:
    grey = np.rint((1 - TRUE.astype(np.float64)) * 60000).astype(np.uint16)
    coverage = one(encoded(Image.fromarray(grey), "PNG"))
    assert np.abs(coverage.values - TRUE).max() < 1 / 200  # the levels are found to 1/256


def test_fine_lines_on_a_large_sheet_are_ink() -> None:
    """One pixel in two thousand, in noise: Otsu over the whole sheet splits the paper."""
    rng = np.random.default_rng(5)
    sheet = 225 + rng.normal(0, 6, (800, 800))
    sheet[300:340, 398:401] = 40
    coverage = one(Image.fromarray(np.clip(sheet, 0, 255).astype(np.uint8)))
    ink = coverage.values >= 0.5
    assert ink[305:335, 399].all()
    assert np.count_nonzero(ink) < 40 * 3 * 1.5


def test_the_threshold_brings_its_level_to_one_half() -> None:
    coverage = one(on_white(INK), threshold=0.25)
    assert np.array_equal(coverage.values >= 0.5, TRUE >= 0.25)
    assert "asked" in topics(coverage)["threshold"]


@pytest.mark.parametrize("value", [0, 128, 255])
def test_one_colour_is_blank(value: int) -> None:
    assert refused(Image.new("L", (60, 50), value)) == "E_BLANK"
    assert refused(Image.new("RGB", (60, 50), (value, 0, 0))) == "E_BLANK"


def test_too_little_contrast_is_refused() -> None:
    grey = np.rint(200 - TRUE * 20).astype(np.uint8)
    assert refused(Image.fromarray(grey)) == "E_LOWCONTRAST"


@pytest.mark.parametrize("shape", [(1, 1), (2, 2), (1, 40), (40, 1)])
def test_the_smallest_pictures(shape: tuple[int, int]) -> None:
    assert refused(Image.new("L", shape[::-1], 0)) in {"E_BLANK", "E_TOOSMALL"}
    dot = Image.new("L", shape[::-1], 255)
    dot.putpixel((0, 0), 0)
    if shape != (1, 1):
        assert refused(dot) in {"E_BLANK", "E_TOOSMALL"}


def test_a_dot_of_two_pixels_is_too_small() -> None:
    image = Image.new("L", (50, 50), 255)
    image.putpixel((20, 20), 0)
    image.putpixel((21, 20), 0)
    assert refused(image) == "E_TOOSMALL"


# ------------------------------------------------------------------ what it may turn out to be


def noise(side: int) -> Image.Image:
    samples = np.random.default_rng(2).integers(0, 2, (side, side), dtype=np.uint8)
    return Image.fromarray(samples * np.uint8(255))


def chequer(side: int) -> Image.Image:
    return Image.fromarray(((np.indices((side, side)).sum(axis=0) % 2) * 255).astype(np.uint8))


def halftone(side: int) -> Image.Image:
    y, x = np.mgrid[:side, :side]
    tone = 0.2 + 0.25 * x / side
    cell = np.cos(x * 2 * np.pi / 8) + np.cos(y * 2 * np.pi / 8)
    return Image.fromarray(np.where(cell > 2 - 4 * tone, 0, 255).astype(np.uint8))


def dither(side: int) -> Image.Image:
    ramp = np.tile(np.linspace(140, 250, side), (side, 1)).astype(np.uint8)
    return Image.fromarray(ramp).convert("1").convert("L")


@pytest.mark.parametrize(
    ("make", "side"), [(noise, 2000), (chequer, 800), (halftone, 800), (dither, 600)]
)
def test_screens_and_noise_are_refused_before_they_are_traced(
    make: Callable[[int], Image.Image], side: int
) -> None:
    assert refused(make(side)) == "E_TOOCOMPLEX"


def test_specks_of_a_scan_are_dropped_and_counted_and_those_of_a_clean_drawing_kept() -> None:
    rng = np.random.default_rng(3)
    large = anchor(800, 960)
    specks = np.zeros(large.shape, bool)
    places = rng.integers(5, 790, (200, 2))
    specks[places[:, 0], places[:, 1]] = True
    clean = np.where(specks, 0, 255 - large)
    kept = one(Image.fromarray(clean.astype(np.uint8)))
    assert kept.specks == 0
    rough = np.clip(clean * 0.85 + 20 + rng.normal(0, 5, clean.shape), 0, 255)
    scanned = one(Image.fromarray(rough.astype(np.uint8)))
    assert scanned.specks > 100
    assert "specks" in topics(scanned)
    wrong = (scanned.values >= 0.5) != (large >= 128)
    assert np.count_nonzero(wrong) < 0.0005 * wrong.size


def test_ink_at_the_border_is_pointed_out() -> None:
    for box in ((60, 0, 240, 200), (0, 40, 240, 200), (0, 0, 150, 200), (0, 0, 240, 160)):
        assert "W_CROPPED" in codes(one(on_white(INK).crop(box)))
    assert "W_CROPPED" not in codes(one(on_white(INK).crop((5, 5, 235, 195))))


def test_tiny_art_in_a_huge_canvas() -> None:
    image = Image.new("L", (2000, 2000), 255)
    image.paste(on_white(anchor(40, 40)), (900, 900))
    assert "W_LOWRES" in codes(one(image))


# ------------------------------------------------------------------ sheets


def test_the_dark_frame_of_a_scanner_is_left_out() -> None:
    sheet = np.rint(235 - TRUE * 200).astype(np.uint8)
    sheet[:6], sheet[-6:], sheet[:, :6], sheet[:, -6:] = 8, 8, 8, 8
    coverage = one(Image.fromarray(sheet))
    assert "W_FRAME" in codes(coverage)
    assert "W_INVERTED" not in codes(coverage)
    assert np.abs(coverage.values - TRUE)[12:-12, 12:-12].max() < 0.03
    assert coverage.values[:6].max() == 0


def test_a_slight_turn_is_found_and_undone() -> None:
    big = anchor(600, 720) / np.float32(255)
    image = Image.fromarray(np.rint(255 * (1 - big)).astype(np.uint8))
    for degrees in (-3.0, 0.8, 5.0):
        turned = image.rotate(degrees, Image.Resampling.BICUBIC, fillcolor=255)
        coverage = one(turned, straighten=True)
        said = topics(coverage)["turn"]
        assert (
            f"{degrees:+.1f}" in said.replace("°", "")
            or abs(float(said.split("by ")[1].split("°")[0]) - degrees) < 0.15
        )
        # two interpolations and the tenth of a degree leave a rim along the outline
        assert np.abs(coverage.values - big).mean() < 0.006
    assert "left as it lies" in topics(one(image, straighten=True))["turn"]


def test_several_designs_come_in_reading_order() -> None:
    sheet = np.zeros((460, 780), np.uint8)
    places = [(5, 500), (20, 30), (30, 270), (240, 20), (250, 400)]  # top, left
    for top, left in places:
        sheet[top : top + 200, left : left + 240] = INK
    found = levels(Image.fromarray(255 - sheet), split=True)
    assert len(found) == 5
    corners = []
    for coverage in found:
        rows, columns = np.nonzero(coverage.values >= 0.5)
        assert len(rows) == np.count_nonzero(INK >= 128)
        corners.append((int(rows.min()), int(columns.min())))
    assert corners == sorted(corners, key=lambda c: (c[0] > 200, c[1]))
    assert sum(c.values.sum(dtype=np.float64) for c in found) == pytest.approx(
        sheet.sum(dtype=np.float64) / 255, rel=1e-5
    )
    assert len(levels(on_white(INK), split=True)) == 1
