"""What is ink: every way of telling it, against designs whose coverage is known."""

import io
import itertools
from collections.abc import Callable

import numpy as np
import png
import pytest
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.raster.encode import anchor, encoded, on_white
from tracer.errors import InputError, UsageError
from tracer.model import Coverage
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.raster.scalar import FloatImage
from tracer.settings import InkOptions

INK = anchor(200, 240)
TRUE = (INK / 255).astype(np.float32)
STEP = 1 / 255 + 1e-6  # a step of the 8 bits that it was stored in


def levels(data: bytes | Image.Image, **options: object) -> tuple[Coverage, ...]:
    if isinstance(data, Image.Image):
        data = encoded(data, "PNG")
    given = InkOptions(**options)  # type: ignore[arg-type] # as given
    found = find_ink(read_artwork(data, "anchor", given), given)
    for coverage in found:
        check(coverage)
    return found


def one(data: bytes | Image.Image, **options: object) -> Coverage:
    (coverage,) = levels(data, **options)
    return coverage


def check(coverage: Coverage) -> None:
    """Hold what every coverage promises."""
    values = coverage.values
    assert values.dtype == np.float32
    assert not values.flags.writeable
    assert np.isfinite(values).all()
    assert values.min() >= 0
    assert values.max() <= 1
    assert (values >= 0.5).any()
    for decision in coverage.decisions:
        assert decision.text
        assert "\n" not in decision.text
        assert bool(decision.code) == decision.warning


def refused(data: bytes | Image.Image, **options: object) -> str:
    with pytest.raises(InputError) as caught:
        levels(data, **options)
    assert caught.value.hint
    return caught.value.code


def codes(coverage: Coverage) -> set[str]:
    return {d.code for d in coverage.decisions if d.code}


def topics(coverage: Coverage) -> dict[str, str]:
    return {d.topic: d.text for d in coverage.decisions}


def rgba(colour: object, alpha: np.ndarray) -> Image.Image:
    samples = np.empty((*alpha.shape, 4), np.uint8)
    samples[..., :3], samples[..., 3] = colour, alpha
    return Image.fromarray(samples)


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


# ------------------------------------------------------------------ colours and levels

CREAM, RED, NAVY = (250, 242, 220), (190, 26, 30), (20, 30, 90)


def coloured(*layers: tuple[tuple[int, int, int], FloatImage]) -> Image.Image:
    """Return layers laid over cream paper, blended as a renderer does."""
    picture = np.broadcast_to(np.array(CREAM, float), (200, 240, 3))
    for colour, cover in layers:
        picture = picture * (1 - cover[..., None]) + np.array(colour, float) * cover[..., None]
    return Image.fromarray(np.rint(picture).astype(np.uint8))


def disc(x: float, y: float, radius: float) -> FloatImage:
    """Return the coverage of a disc, 8 x 8 samples a pixel."""
    fine = (np.arange(240 * 8) + 0.5) / 8
    inside = np.hypot(fine[None, :] - x, fine[: 200 * 8, None] - y) < radius
    share = inside.reshape(200, 8, 240, 8).mean(axis=(1, 3))
    return np.asarray(share, dtype=np.float32)


def test_one_colour_on_tinted_paper() -> None:
    coverage = one(coloured((RED, TRUE)))
    assert np.abs(coverage.values - TRUE).max() < 0.02
    said = {d.topic: d for d in coverage.decisions}
    assert "#faf2dc" in said["threshold"].text  # CREAM; greys would say nothing here
    assert (said["ink"].option, said["threshold"].option) == ("--ink COLOUR", "--threshold")


def test_a_light_ink_has_its_edge_half_way_as_a_dark_one_has() -> None:
    both = np.maximum(disc(70, 100, 40), disc(170, 100, 40))
    image = coloured(((20, 30, 90), disc(70, 100, 40)), ((240, 190, 60), disc(170, 100, 40)))
    coverage = one(image)
    assert coverage.values.sum() == pytest.approx(both.sum(), rel=0.01)
    # an edge is off by the coverage lost over its slope, about 1 a pixel
    assert np.abs((coverage.values >= 0.5).sum() - (both >= 0.5).sum()) < 0.05 * 2 * np.pi * 80


@pytest.mark.parametrize(("asked", "which"), [("#be1a1e", 0), ("red", 0), ("navy", 1)])
def test_a_colour_asked_for(asked: str, which: int) -> None:
    covers = disc(70, 100, 40), disc(170, 100, 40)
    coverage = one(coloured((RED, covers[0]), (NAVY, covers[1])), ink=asked)
    assert np.abs(coverage.values - covers[which]).max() < 0.03


def test_two_colours_asked_for_have_no_seam_between_them() -> None:
    """Navy on red: the mixed pixels of their common edge are ink through and through."""
    outer, inner = disc(120, 100, 80), disc(120, 100, 40)
    coverage = one(coloured((RED, outer), (NAVY, inner)), ink="#be1a1e,navy")
    assert np.abs(coverage.values - outer).max() < 0.03


def test_what_is_no_colour_or_not_there() -> None:
    image = coloured((RED, TRUE))
    with pytest.raises(UsageError, match="is no colour"):
        levels(image, ink="reddish")
    assert refused(image, ink="lime") == "E_BLANK"
    assert refused(image, ink="alpha") == "E_BLANK"


@pytest.mark.parametrize("transparent", [False, True])
def test_levels_are_nested_and_share_their_edges(*, transparent: bool) -> None:
    """Three colours, each on the one before; a grey edge must not become a sliver of a third."""
    covers = disc(120, 100, 85), disc(120, 100, 60), disc(110, 95, 25)
    image = coloured(((240, 190, 60), covers[0]), (RED, covers[1]), (NAVY, covers[2]))
    if transparent:
        alpha = np.rint(covers[0] * 255).astype(np.uint8)
        flat = np.array((240, 190, 60))
        inside = np.where(covers[0][..., None] < 1, flat, np.asarray(image))
        image = rgba(inside, alpha)
    found = levels(image, levels=3)
    assert [c.level for c in found] == [1, 2, 3]
    for coverage, cover in zip(found, covers, strict=True):
        assert np.abs(coverage.values - cover).max() < 0.04
    for outer, inner in itertools.pairwise(found):
        assert (inner.values <= outer.values + 1e-6).all()


def test_strips_leave_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """Colours are told apart strip by strip; an edge near the border of one sees beyond it."""
    image = coloured((RED, disc(120, 100, 80)), (NAVY, disc(130, 95, 40)))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=60)  # rings as far as is looked
    whole = levels(stream.getvalue(), levels=2)
    monkeypatch.setattr("tracer.raster.scalar._STRIP_PIXELS", 5 * 240)
    for one_strip, many in zip(whole, levels(stream.getvalue(), levels=2), strict=True):
        assert np.abs(one_strip.values - many.values).max() < 1e-6  # sums of floats may round


def test_neighbours_that_meet_leave_no_sliver() -> None:
    """Side by side: below the upper level there is no line of the lower one's ground."""
    left = disc(90, 100, 50)
    right = np.clip(disc(150, 100, 50) - left, 0, 1)
    found = levels(coloured(((240, 190, 60), left), (NAVY, right)), levels=2)
    assert np.abs(found[0].values - np.clip(left + right, 0, 1)).max() < 0.06
    assert np.abs(found[1].values - right).max() < 0.06


@pytest.mark.parametrize("sampled", [0, 2], ids=["colour in full", "a quarter of the colour"])
@pytest.mark.parametrize("quality", [60, 75])
def test_an_edge_that_rings_is_no_third_colour(quality: int, sampled: int) -> None:
    """Purple on gold mixes to something like coral, and coral is there, but not at that edge."""
    gold, coral, purple = (224, 176, 48), (232, 128, 106), (122, 79, 160)
    inks = disc(120, 100, 90), disc(150, 130, 30), disc(90, 80, 33)
    image = coloured((gold, inks[0]), (coral, inks[1]), (purple, inks[2]))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=quality, subsampling=sampled)
    coral_only = one(stream.getvalue(), ink="#e8806a").values >= 0.5
    away = np.hypot(*(np.indices(TRUE.shape) + 0.5 - np.reshape([130, 150], (2, 1, 1)))) > 33
    assert not (coral_only & away).any()


def test_more_levels_than_colours_and_more_than_six() -> None:
    assert refused(coloured((RED, TRUE)), levels=4) == "E_BLANK"
    with pytest.raises(UsageError):
        levels(coloured((RED, TRUE)), levels=7)


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
