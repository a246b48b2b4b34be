"""Bytes to `Artwork`: the only place that decodes."""

import hashlib
import io
from importlib import import_module

import numpy as np
from PIL import Image, ImageFile, UnidentifiedImageError

from tracer.bounds import PIXELS, longest_side
from tracer.errors import InputError, TracerError
from tracer.model import Artwork, Decision
from tracer.raster.header import camera, density, orientation, profile
from tracer.raster.pixels import Pixels, Samples, turned, unpack
from tracer.raster.quiet import quiet_decoder
from tracer.raster.refusal import damaged, truncated
from tracer.raster.signature import extension_decision, recognised
from tracer.raster.structure import Layout, layout
from tracer.settings import InkOptions

_PLUGINS = {
    "PNG": "Png", "JPEG": "Jpeg", "TIFF": "Tiff", "WEBP": "WebP", "BMP": "Bmp", "GIF": "Gif",
}  # fmt: skip
_HIGH_LOW = {"RGBA;16B": ("RGBA;16L", 3), "LA;16B": ("RGBA", 3)}


def read_artwork(data: bytes, name: str, options: InkOptions) -> Artwork:
    """Decode an image: PNG, JPEG, TIFF, WebP, BMP or GIF, told by content.

    A file is read whole or refused: a picture that was cut off or damaged never comes back with
    a grey remainder. Every other page than the one read, every conversion and every oddity is
    told in the artwork's decisions. Colours are those stored; see `header.profile` for when a
    colour profile is applied. The client's metadata (author, place) is not taken along.

    The picture is upright (Exif orientation applied), alpha straight, grey pictures (H, W).

    Parameters
    ----------
    data
        The whole file.
    name
        File name, for messages and to compare its extension.
    options
        `page` and `max_pixels` are used, and whether colours will be compared.

    Raises
    ------
    InputError
        With a stable code: E_EMPTY, E_FORMAT, E_UNSUPPORTED, E_TRUNCATED, E_DAMAGED,
        E_TOOMANYPIXELS, E_PAGE, E_MEMORY. Nothing else leaves this function.
    """
    try:
        return _read(data, name, options)
    except TracerError as error:
        error.subject = error.subject or name
        raise
    except MemoryError as error:
        raise InputError(
            "needs more memory than there is", hint="export it smaller", code="E_MEMORY",
            subject=name,
        ) from error  # fmt: skip
    except Exception as error:  # a decoder may raise anything on a hostile file
        refused = damaged(f"damaged ({type(error).__name__})")
        refused.subject = name
        raise refused from error


def _read(data: bytes, name: str, options: InkOptions) -> Artwork:
    file_format = recognised(data, name)
    build = layout(data, file_format)
    _check_pixels(build.width, build.height, options.max_pixels)
    _check_page(options.page, build.pages)
    whole = data if build.tail is None else data[: build.end] + build.tail
    with quiet_decoder() as notes:
        pixels, dots, decisions = _decode(whole, file_format, build, options)
    for samples in (pixels.colour, pixels.alpha):
        if samples is not None:
            samples.setflags(write=False)
    return Artwork(
        name=name,
        colour=pixels.colour,
        alpha=pixels.alpha,
        density_per_mm=dots,
        file_format=file_format,
        sha256=hashlib.sha256(data).hexdigest(),
        decisions=(
            *extension_decision(file_format, name),
            *_end_decision(data, build),
            *decisions,
            *pixels.decisions,
            *(Decision("decoder", f"the decoder noted: {note[:120]}") for note in notes),
        ),
    )


def _decode(
    data: bytes, file_format: str, build: Layout, options: InkOptions
) -> tuple[Pixels, float | None, tuple[Decision, ...]]:
    import_module(f"PIL.{_PLUGINS[file_format]}ImagePlugin")  # the one plug-in, not all forty
    try:
        with Image.open(io.BytesIO(data), formats=(file_format,)) as image:
            image.verify()
        with Image.open(io.BytesIO(data), formats=(file_format,)) as image:
            pages = max(build.pages, getattr(image, "n_frames", 1) if _counts(image) else 1)
            _check_page(options.page, pages)
            if options.page > 1:
                image.seek(options.page - 1)
            _check_pixels(*image.size, options.max_pixels)
            raw_mode = _raw_mode(image)
            image.load()
            turn, turn_said = orientation(image, options)
            dots, dots_said = density(image)
            convert, profile_said = profile(image, options)
            pixels = unpack(image, raw_mode, convert)
            mode_said = (*_mode_decision(image), *camera(image, options))
        if raw_mode in _HIGH_LOW and pixels.alpha is not None:
            pixels = _with_low_bytes(pixels, data, *_HIGH_LOW[raw_mode])
    except (OSError, EOFError, SyntaxError) as error:
        raise _explained(error, build, file_format) from error
    if file_format == "BMP" and pixels.alpha is not None and not pixels.alpha.any():
        pixels = Pixels(pixels.colour, None, pixels.decisions)  # the fourth byte was never alpha
    if turn != 1:
        alpha: Samples | None = None if pixels.alpha is None else turned(pixels.alpha, turn)
        pixels = Pixels(turned(pixels.colour, turn), alpha, pixels.decisions)
    said = (*_page_decision(options.page, pages), *mode_said, *turn_said, *dots_said, *profile_said)
    return pixels, dots, said


def _with_low_bytes(pixels: Pixels, data: bytes, raw_mode: str, channel: int) -> Pixels:
    """Return the pixels with alpha at 16 bits.

    Pillow keeps the high byte of each 16-bit sample. The same data unpacked with the other byte
    order gives the low byte, so a second pass makes the alpha whole.
    """
    assert pixels.alpha is not None
    with Image.open(io.BytesIO(data), formats=("PNG",)) as image:
        assert isinstance(image, ImageFile.ImageFile)
        image.tile = [tile._replace(args=raw_mode) for tile in image.tile]
        image.load()
        alpha = pixels.alpha.astype(np.uint16)
        alpha <<= 8
        low = image.getchannel(channel)
        step = max(1, (1 << 20) // image.width)
        for top in range(0, image.height, step):
            bottom = min(top + step, image.height)
            alpha[top:bottom] |= np.asarray(low.crop((0, top, image.width, bottom)))
    return Pixels(pixels.colour, alpha, pixels.decisions)


def _counts(image: Image.Image) -> bool:
    """Only the second pictures of a phone's JPEG are not found by the walk."""
    return image.format == "MPO"


def _raw_mode(image: Image.Image) -> str:
    """Return how the file packs its samples; gone once the image is loaded."""
    if not isinstance(image, ImageFile.ImageFile) or not image.tile:
        return ""
    arguments = image.tile[0].args
    first = arguments[0] if isinstance(arguments, tuple) and arguments else arguments
    return first if isinstance(first, str) else ""


def _check_pixels(width: int, height: int, most: int) -> None:
    count = width * height
    side = longest_side(most)
    if count > most:
        raise InputError(
            f"{width} × {height} is {count / 1e6:,.0f} million pixels, over the limit of "
            f"{most / 1e6:,.3g} million",
            hint=f"scan or export it coarser, or pass {PIXELS.option} {-(-count // 10**6) * 10**6}",
            code="E_TOOMANYPIXELS",
        )
    if max(width, height) > side:
        raise InputError(
            f"{width} × {height} has a side of over {side:,} pixels",
            hint=f"crop it, or pass a larger {PIXELS.option}",
            code="E_TOOMANYPIXELS",
        )


def _check_page(page: int, pages: int) -> None:
    if not 1 <= page <= pages:
        have = "one page" if pages == 1 else f"pages 1 to {pages}"
        raise InputError(f"has {have}, not page {page}", hint="change --page", code="E_PAGE")


def _explained(error: Exception, build: Layout, file_format: str) -> InputError:
    """Return a decoder's error in our words: the walk knows whether the file was cut off."""
    text = str(error).lower()
    if build.tail is not None:
        return truncated("before the pixels were complete")
    if isinstance(error, UnidentifiedImageError) and file_format == "TIFF":
        return InputError(
            "is a kind of TIFF that the decoder does not support",
            hint="export it as 8 bit, or as PNG", code="E_UNSUPPORTED",
        )  # fmt: skip
    for word in ("compression", "unsupported", "not supported"):
        if word in text and "decompress" not in text:
            return InputError(
                "is of a kind that the decoder does not support",
                hint="export a plain PNG", code="E_UNSUPPORTED",
            )  # fmt: skip
    if "truncated" in text:
        return truncated("or damaged: it holds fewer pixels than its header says")
    return damaged(f"damaged ({type(error).__name__})")


def _end_decision(data: bytes, build: Layout) -> tuple[Decision, ...]:
    if build.tail is not None:
        text = "the file ends early, but its pixels are complete"
    elif len(data) > build.end:
        text = f"{len(data) - build.end:,} bytes after the end of the image were left aside"
    else:
        return ()
    return (Decision("file", text, warning=True, code="W_TRAILING"),)


def _page_decision(page: int, pages: int) -> tuple[Decision, ...]:
    if pages == 1:
        return ()
    text = f"page {page} of {pages} was used"
    return (Decision("frames", text, "--page", warning=True, code="W_FRAMES"),)


def _mode_decision(image: Image.Image) -> tuple[Decision, ...]:
    if image.mode not in {"CMYK", "LAB", "YCbCr", "HSV"}:
        return ()
    text = f"{image.mode} colours were turned into RGB: ask for RGB if they come out wrong"
    return (Decision("colour", text, warning=True, code="W_COLOUR"),)
