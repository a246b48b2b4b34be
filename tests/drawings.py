"""Drawn icons and glyphs of open sets from the package registry, with their true curves.

Sets (each wheel carries its licence): Material Icons (Apache-2.0), Pictogrammers MDI (Apache-2.0,
brand marks left out), Phosphor fill (MIT), Roboto (Apache-2.0), Source Sans Pro and Source Serif
Pro (OFL-1.1). Nothing of them is copied into the repository.
"""

import io
import random
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import resvg_py
from fontTools.pens.recordingPen import DecomposingRecordingPen, RecordingPen
from fontTools.pens.svgPathPen import SVGPathPen
from fontTools.pens.transformPen import TransformPen
from fontTools.svgLib.path import parse_path
from fontTools.ttLib import TTFont
from numpy.typing import NDArray
from PIL import Image

SETS = ("material", "mdi", "phosphor", "roboto", "sans", "serif")
FONTS = {
    "roboto": ("font_roboto", "Roboto-Regular.ttf"),
    "sans": ("font_source_sans_pro", "SourceSansPro-Regular.ttf"),
    "serif": ("font_source_serif_pro", "SourceSerifPro-Regular.ttf"),
}
GLYPHS = "ABCDEGJKMQRSXabdefgjkmqrsty&@%$2345689?"


@dataclass(frozen=True)
class TrueDrawing:
    """A filled drawing with its outline as the designer made it.

    `path` is SVG path data (non-zero fill) in a box of `box` = (x, y, side).
    """

    name: str
    path: str
    box: tuple[float, float, float]

    def svg(self, pixels: int, *, ground: str = "") -> str:
        """Return the drawing as SVG of `pixels` square; `ground` is a colour behind it."""
        x, y, side = self.box
        behind = f'<rect x="{x}" y="{y}" width="{side}" height="{side}" fill="{ground}"/>'
        return (
            '<svg xmlns="http://www.w3.org/2000/svg" '
            f'width="{pixels}" height="{pixels}" '
            f'viewBox="{x} {y} {side} {side}">{behind if ground else ""}'
            f'<path d="{self.path}"/></svg>'
        )

    def png(self, pixels: int, *, ground: str = "") -> bytes:
        """Return the drawing rendered by resvg, black on `ground` or on transparent."""
        return bytes(resvg_py.svg_to_bytes(svg_string=self.svg(pixels, ground=ground), dpi=96))

    def alpha(self, pixels: int) -> NDArray[np.uint8]:
        """Return the rendered coverage, (pixels, pixels)."""
        with Image.open(io.BytesIO(self.png(pixels))) as image:
            return np.asarray(image.convert("RGBA"))[..., 3].copy()

    def commands(self) -> list[tuple[str, tuple[tuple[float, float], ...]]]:
        """Return the outline as pen commands (moveTo, lineTo, curveTo, qCurveTo, closePath)."""
        pen = RecordingPen()
        parse_path(self.path, pen)
        return list(pen.value)


@cache
def _icons(name: str) -> dict[str, str]:
    """Return file name -> SVG text of one icon set."""
    package = {
        "material": "justmyresource_material_icons",
        "mdi": "justmyresource_mdi",
        "phosphor": "justmyresource_phosphor",
    }[name]
    data = resources.files(package).joinpath("icons.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {
            entry: archive.read(entry).decode()
            for entry in sorted(archive.namelist())
            if entry.endswith(".svg")
        }


def _glyph(font_set: str, letter: str) -> TrueDrawing:
    package, file = FONTS[font_set]
    with resources.files(package).joinpath("files", file).open("rb") as stream:
        font = TTFont(stream)
        glyphs = font.getGlyphSet()
        pen = DecomposingRecordingPen(glyphs)
        glyphs[font.getBestCmap()[ord(letter)]].draw(pen)
        size = font["head"].unitsPerEm
    out = SVGPathPen(glyphs)
    pen.replay(TransformPen(out, (1, 0, 0, -1, 0, 0)))  # fonts are y up, SVG y down
    return TrueDrawing(
        f"{font_set}-{ord(letter):04x}", out.getCommands(), (-0.1 * size, -size, 1.3 * size)
    )


_NOT_A_PLAIN_PATH = re.compile(
    r"<(rect|circle|ellipse|line|poly|g[ >]|use|mask|clipPath)|stroke|transform|opacity|evenodd"
)


def _icon(set_name: str, file: str, text: str) -> TrueDrawing | None:
    """Return an icon that is nothing but filled paths, else None."""
    if _NOT_A_PLAIN_PATH.search(text):
        return None
    paths = [tag for tag in re.findall(r"<path[^>]*>", text) if 'fill="none"' not in tag]
    data = " ".join(re.findall(r'\sd="([^"]+)"', " ".join(paths)))
    box = re.search(r'viewBox="([^"]+)"', text)
    if not data or box is None:
        return None
    x, y, width, height = map(float, box[1].split())
    stem = file.rsplit("/", 1)[-1].removesuffix(".svg")
    return TrueDrawing(f"{set_name}-{stem}", data, (x, y, max(width, height)))


_BRANDS = re.compile(
    r"logo|android|apple|google|microsoft|windows|facebook|twitter|github|git|docker|linux|steam|"
    r"youtube|netflix|spotify|amazon|aws|adobe|language-|whatsapp|instagram|linkedin|reddit|"
    r"wordpress|firefox|chrome|safari|edge|opera|bitcoin|paypal|visa|nintendo|xbox|playstation|sony|"
    r"slack|skype|telegram|vimeo|twitch|tesla|ubuntu|debian|arch|fedora|redhat|centos|kubernetes|"
    r"material-design|mdi|vuejs|react|angular|bootstrap|nodejs|npm|unity|unreal|drupal|ansible|"
    r"alpha-|numeric-|pac-man|star-trek|death-star|pokeball|atlassian|jira|trello|dropbox|evernote|"
    r"klingon|iobroker|terraform|mastodon|hulu|plex|kodi|roku|samsung|lastfm|soundcloud|patreon|stack|qq|wechat|sina|pinterest"
)


@cache
def drawings(set_name: str, count: int, seed: int = 1) -> tuple[TrueDrawing, ...]:
    """Return `count` drawings of a set, chosen by `seed`, the same every time."""
    rng = random.Random(f"{set_name}-{seed}")
    if set_name in FONTS:
        letters = rng.sample(GLYPHS, min(count, len(GLYPHS)))
        return tuple(_glyph(set_name, letter) for letter in letters)
    found: list[TrueDrawing] = []
    icons = _icons(set_name)
    for file in rng.sample(list(icons), len(icons)):
        if set_name == "phosphor" and "fill" not in file:
            continue
        if set_name == "mdi" and not file.endswith("-outline.svg"):  # brands have no such variant
            continue
        if _BRANDS.search(file):
            continue
        icon = _icon(set_name, file, icons[file])
        if icon is not None and len(icon.commands()) > 3:
            found.append(icon)
        if len(found) == count:
            break
    return tuple(found)


def mixed(count: int, seed: int = 1) -> Iterator[TrueDrawing]:
    """Yield `count` drawings, an equal share of each set."""
    share = -(-count // len(SETS))
    columns = [drawings(name, share, seed) for name in SETS]
    yield from [d for row in zip(*columns, strict=False) for d in row][:count]
