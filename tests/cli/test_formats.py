"""One drawing in every format, through the command: the same outline, and what was decided is said.

Pillow writes the files, but for the PNG of another gamma (pypng).
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import png
import pytest
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageCms

from tracer.cli.main import main
from tracer.write.svg_read import read_svg

SUB = 8
WIDTH_MM = 40.0
PITCH_MM = WIDTH_MM / 200
"""The drawing is 200 px wide, from 20 to 220."""


def drawing() -> NDArray[np.uint8]:
    """A disc with a bar at its foot, black on white, 240 x 200 px, 8 x 8 samples a pixel."""
    y, x = np.mgrid[: 200 * SUB, : 240 * SUB] / SUB + 0.5 / SUB
    disc = (x - 90) ** 2 + (y - 100) ** 2 <= 70**2
    ink = disc | ((x > 90) & (x < 220) & (y > 130) & (y < 160))
    share = ink.reshape(200, SUB, 240, SUB).mean(axis=(1, 3))
    grey: NDArray[np.uint8] = np.rint(255 * (1 - share)).astype(np.uint8)
    return grey


GREY = Image.fromarray(drawing())
OTHER = Image.fromarray(np.full((200, 240), 255, np.uint8))


def bit(folder: Path) -> Path:
    GREY.point(lambda v: 255 * (v > 127)).convert("1").save(folder / "bit.png")
    return folder / "bit.png"


def palette(folder: Path) -> Path:
    """Grey levels as the transparency of a palette: tRNS."""
    image = Image.fromarray(255 - drawing())
    shown = Image.fromarray(np.asarray(image) // 2)
    shown.putpalette([0] * 384)
    alphas = bytes(min(255, 2 * k) for k in range(128))
    shown.save(folder / "palette.png", transparency=alphas)
    return folder / "palette.png"


def deep(folder: Path) -> Path:
    """16 bits of grey, with the usual gamma in gAMA."""
    path = folder / "deep.png"
    rows = (drawing().astype(np.uint16) * 257).tolist()
    with path.open("wb") as stream:
        png.Writer(240, 200, greyscale=True, bitdepth=16, gamma=1 / 2.2).write(stream, rows)
    return path


def cmyk(folder: Path) -> Path:
    """CMYK, turned a quarter, with the Exif that turns it back."""
    exif = Image.Exif()
    exif[274] = 8
    turned = GREY.convert("RGB").convert("CMYK").rotate(-90, expand=True)
    turned.save(folder / "cmyk.jpg", quality=95, exif=exif)
    return folder / "cmyk.jpg"


def profiled(folder: Path) -> Path:
    """RGB with an ICC profile."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    GREY.convert("RGB").save(folder / "profiled.jpg", quality=95, icc_profile=profile)
    return folder / "profiled.jpg"


def pages(folder: Path) -> Path:
    path = folder / "pages.tif"
    GREY.save(path, save_all=True, append_images=[OTHER], compression="tiff_lzw")
    return path


def frames(folder: Path) -> Path:
    path = folder / "frames.gif"
    GREY.convert("P").save(path, save_all=True, append_images=[OTHER.convert("P")])
    return path


def webp(folder: Path) -> Path:
    GREY.save(folder / "a.webp", lossless=True)
    return folder / "a.webp"


def bmp(folder: Path) -> Path:
    GREY.save(folder / "a.bmp")
    return folder / "a.bmp"


def outlined(path: Path, *words: str) -> tuple[shapely.Polygon, dict[str, Any]]:
    """Return the outline that the command writes for an artwork, and its report."""
    out = path.with_name(path.stem + "-outline.svg")
    assert main(["outline", str(path), "--width", "40mm", "-o", str(out), *words]) == 0
    (shape,) = read_svg(out.read_text(encoding="utf-8")).shapes
    flat = np.asarray(shape.outer.points(0.002))
    report = json.loads(out.with_suffix(".json").read_text(encoding="utf-8"))
    return shapely.Polygon(np.column_stack([flat.real, flat.imag])), report


@pytest.mark.parametrize("made", [bit, palette, deep, cmyk, profiled, pages, frames, webp, bmp])
def test_every_format_gives_the_outline_of_the_drawing(tmp_path: Path, made: Any) -> None:
    """As drawn: what is measured is the edge, on average, by the area between both outlines.

    Edges of exact area are known to 0.03 px; those of 1 bit to 1 / sqrt(12), which evens out along
    a curve.
    """
    found, report = outlined(made(tmp_path), "--process", "as-drawn")
    x, y = 20 * PITCH_MM, 170 * PITCH_MM  # where the page begins, y up
    disc = shapely.Point(90 * PITCH_MM - x, y - 100 * PITCH_MM).buffer(70 * PITCH_MM, 256)
    bar = shapely.box(*(np.array([90, 170 - 160, 220, 170 - 130]) * PITCH_MM - [x, 0, x, 0]))
    true = shapely.union(disc, bar)
    between = shapely.symmetric_difference(found, true).area / true.length
    assert between < (0.1 if made is bit else 0.03) * PITCH_MM
    assert report["drawing"]["width_mm"] == pytest.approx(WIDTH_MM, abs=1e-6)
    assert report["drawing"]["height_mm"] == pytest.approx(140 * PITCH_MM, abs=1.2 * PITCH_MM)


@pytest.mark.parametrize("made", [pages, frames])
def test_the_first_of_several_is_used_and_said(
    tmp_path: Path, made: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    _, report = outlined(made(tmp_path))
    assert "note: page 1 of 2 was used (--page overrules)" in capsys.readouterr().out
    assert [d["code"] for d in report["decisions"] if d["topic"] == "frames"] == ["W_FRAMES"]


@pytest.mark.parametrize(("form", "dots"), [("PNG", 300), ("JPEG", 300), ("TIFF", 150)])
def test_a_stored_density_is_told_beside_the_wanted_size(
    tmp_path: Path, form: str, dots: int
) -> None:
    path = tmp_path / f"a.{form.lower()}"
    GREY.save(path, form, dpi=(dots, dots))
    _, report = outlined(path)
    assert report["artwork"]["density_per_mm"] == pytest.approx(dots / 25.4, rel=0.01)
