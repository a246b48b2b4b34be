"""Every decision is told with an option that there is, and that overrules it."""

import io
from collections.abc import Callable

import numpy as np
import pytest
from PIL import Image, ImageCms
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.raster.encode import anchor, encoded, on_white
from tests.raster.inks import INK, TRUE, one, rgba
from tracer.cli.options import Parser, add_ink, add_size
from tracer.model import Decision
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.settings import AS_IS, InkOptions

ONLY_TOLD = {"format", "file", "decoder", "crop", "resolution", "screen", "colour", "samples"}
"""Topics where nothing was chosen that could be chosen otherwise."""


def rough(ink: np.ndarray) -> np.ndarray:
    return 0.15 + 0.7 * (1 - ink) + np.random.default_rng(3).normal(0, 0.05, ink.shape)


def grey(values: np.ndarray) -> Image.Image:
    return Image.fromarray(np.rint(255 * np.clip(values, 0, 1)).astype(np.uint8))


def framed() -> bytes:
    sheet = np.rint(235 - TRUE * 200).astype(np.uint8)
    sheet[:6], sheet[-6:], sheet[:, :6], sheet[:, -6:] = 8, 8, 8, 8
    return encoded(Image.fromarray(sheet), "PNG")


def by_camera(orientation: int = 1) -> bytes:
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "some camera", orientation
    return encoded(grey(1 - ndimage.gaussian_filter(TRUE, 1)), "JPEG", exif=exif)


def speckled() -> bytes:
    sheet = rough(TRUE)
    for column in range(200, 230, 6):
        sheet[10:12, column : column + 2] = 0
    return encoded(grey(sheet), "PNG")


def shadowed() -> bytes:
    shadow = 0.35 * ndimage.gaussian_filter(np.roll(TRUE, (5, 5), (0, 1)), 4)
    alpha = np.rint(255 * (TRUE + shadow * (1 - TRUE))).astype(np.uint8)
    return encoded(rgba((0, 0, 0), alpha), "PNG")


def enlarged() -> bytes:
    return encoded(grey(1 - np.kron(anchor(60, 72) / 255, np.ones((4, 4)))), "PNG")


def lit() -> bytes:
    x = np.linspace(0, 1, TRUE.shape[1])
    return encoded(grey((0.95 - 0.15 * x) * (1 - 0.9 * TRUE)), "PNG")


CASES: dict[str, tuple[str, Callable[[], bytes]]] = {
    "camera": ("camera", by_camera),
    "frame": ("frame", framed),
    "light": ("light", lit),
    "noise": ("noise", lambda: encoded(grey(rough(TRUE)), "PNG")),
    "pixels": ("pixels", enlarged),
    "shadow": ("soft", shadowed),
    "specks": ("specks", speckled),
    "turn": ("turn", lambda: by_camera(6)),
}


def told(data: bytes, **options: object) -> list[Decision]:
    """Return the decisions of one artwork, those of the decoder and those about its ink."""
    given = InkOptions(**options)  # type: ignore[arg-type] # as given
    artwork = read_artwork(data, "anchor", given)
    found = find_ink(artwork, given)
    return [*artwork.decisions, *(d for coverage in found for d in coverage.decisions)]


@pytest.mark.parametrize("word", CASES)
def test_what_was_put_right_can_be_left_as_it_is(word: str) -> None:
    """The option stands beside the decision; with it the decision and its effect are gone."""
    topic, make = CASES[word]
    data = make()
    assert {d.option for d in told(data) if d.topic == topic} == {f"--as-is {word}"}
    assert f"--as-is {word}" not in {d.option for d in told(data, as_is=(word,))}
    given, left = one(data), one(data, as_is=(word,))
    same = given.values.shape == left.values.shape and given.pixel_size == left.pixel_size
    assert not (same and np.array_equal(given.values, left.values))


def test_a_profile_can_be_left_aside() -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    picture = Image.fromarray(np.where(INK[..., None] > 127, (190, 26, 30), 255).astype(np.uint8))
    data = encoded(picture, "PNG", icc_profile=srgb)
    assert "--as-is profile" in {d.option for d in told(data, ink="red")}
    assert "profile" not in {d.topic for d in told(data, ink="red", as_is=("profile",))}


def test_all_words_are_tried() -> None:
    assert {*CASES, "profile"} == set(AS_IS)


def test_next_to_no_transparency_can_be_insisted_on() -> None:
    stray = np.full(INK.shape, 255, np.uint8)
    stray[0, :5] = 3
    data = encoded(rgba((255 - INK)[..., None], stray), "PNG")
    assert "--ink alpha" in {d.option for d in told(data)}
    assert one(data, ink="alpha").values[100, 100] == 1


def pictures() -> list[tuple[bytes, dict[str, object]]]:
    tiff, pages = io.BytesIO(), [on_white(INK), on_white(INK).rotate(180)]
    pages[0].save(tiff, "TIFF", save_all=True, append_images=pages[1:])
    given: list[tuple[bytes, dict[str, object]]] = [(make(), {}) for _, make in CASES.values()]
    given += [
        (tiff.getvalue(), {"straighten": True, "threshold": 0.4, "split": True}),
        (encoded(on_white(INK).convert("CMYK"), "TIFF"), {}),
        (encoded(on_white(INK).crop((60, 0, 240, 200)), "PNG") + b"more", {}),
        (encoded(rgba((9, 9, 9), (INK * 0.6).astype(np.uint8)), "PNG"), {}),
        (encoded(rgba(255 - INK[..., None], np.full(INK.shape, 254, np.uint8)), "PNG"), {}),
        (encoded(rgba(255 - INK[..., None], np.full(INK.shape, 255, np.uint8)), "PNG"), {}),
        (encoded(Image.fromarray(INK), "PNG", dpi=(3, 3)), {}),
        (encoded(Image.fromarray((INK / 255).astype(np.float32)), "TIFF"), {}),
        (encoded(on_white(anchor(60, 72)), "GIF"), {}),
    ]
    return given


def test_every_decision_names_an_option_that_there_is() -> None:
    """Or nothing was chosen. Options are those that the command line takes."""
    parser = Parser()
    add_size(parser)
    add_ink(parser)
    known = {name for action in parser._actions for name in action.option_strings}
    for data, options in pictures():
        for decision in told(data, **options):
            assert bool(decision.option) != (decision.topic in ONLY_TOLD), decision
            if decision.option:
                words = decision.option.replace("COLOUR", "red").split()
                assert words[0] in known
                if len(words) == 2:
                    parser.parse_args(words)
