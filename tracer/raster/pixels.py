"""A decoded Pillow image to arrays of colour and alpha, strip by strip.

Pillow's own conversions are right for most modes; the ones that are not (16-bit grey, grey with a
transparent value below 8 bits, the second byte of 16-bit alpha) are done here.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tracer.errors import InputError
from tracer.model import Decision
from tracer.raster.refusal import damaged

Samples = NDArray[np.uint8] | NDArray[np.uint16]

_STRIP_PIXELS = 1 << 20
_DEEP = ("I;16", "I;16L", "I;16B", "I;16N")


@dataclass(frozen=True, slots=True, eq=False)
class Pixels:
    """Colour (H, W) or (H, W, 3), alpha (H, W) or None, and what had to be decided."""

    colour: Samples
    alpha: Samples | None
    decisions: tuple[Decision, ...] = ()


def unpack(image: Image.Image, raw_mode: str, convert: Callable[..., Image.Image] | None) -> Pixels:
    """Return the samples of a loaded image.

    Parameters
    ----------
    image
        Loaded; its content is left alone.
    raw_mode
        How the file packs its samples, from the image's tile before it was loaded.
    convert
        From a strip to RGB by a colour profile, None: by the plain formulas.

    Raises
    ------
    InputError
        E_UNSUPPORTED for samples that are no numbers, E_DAMAGED for an index beyond the palette.
    """
    transparent = image.info.get("transparency")
    if image.mode in _DEEP:
        return _deep_grey(image, transparent)
    if image.mode in {"I", "F"}:
        return _scaled(image)
    if image.mode in {"1", "L"}:
        return _grey(image, transparent, raw_mode)
    if image.mode in {"P", "PA"}:
        _check_palette(image)
    return _colour(image, convert)


def _strips(image: Image.Image) -> list[tuple[int, int]]:
    step = max(1, _STRIP_PIXELS // image.width)
    return [(top, min(top + step, image.height)) for top in range(0, image.height, step)]


def _strip(image: Image.Image, rows: tuple[int, int]) -> Image.Image:
    if rows == (0, image.height):
        return image
    return image.crop((0, rows[0], image.width, rows[1]))


def _deep_grey(image: Image.Image, transparent: object) -> Pixels:
    """Return 16-bit grey as it is; ``convert("L")`` would clip it to white."""
    colour: NDArray[np.uint16] = np.empty((image.height, image.width), np.uint16)
    for rows in _strips(image):
        colour[slice(*rows)] = np.asarray(_strip(image, rows))
    if not isinstance(transparent, int):
        return Pixels(colour, None)
    return Pixels(colour, np.where(colour == transparent, np.uint8(0), np.uint8(255)))


def _scaled(image: Image.Image) -> Pixels:
    """Return 32-bit samples, whole or floating, stretched from their least to their greatest."""
    samples = np.asarray(image)
    low, high = float(samples.min()), float(samples.max())
    if not np.isfinite(samples).all():
        raise InputError(
            "holds samples that are no numbers", hint="export it as 8 or 16 bit",
            code="E_UNSUPPORTED",
        )  # fmt: skip
    colour: NDArray[np.uint16] = np.empty(samples.shape, np.uint16)
    scale = 65535 / (high - low) if high > low else 0.0
    for top, bottom in _strips(image):
        colour[top:bottom] = np.rint((samples[top:bottom].astype(np.float64) - low) * scale)
    text = (
        f"32-bit samples from {low:g} to {high:g} were stretched to black and white: ask for 8 or "
        "16 bit if they come out wrong"
    )
    return Pixels(colour, None, (Decision("samples", text, warning=True, code="W_SCALED"),))


def _grey(image: Image.Image, transparent: object, raw_mode: str) -> Pixels:
    """Return 1 to 8-bit grey; a transparent value is given in the units of the file."""
    colour: NDArray[np.uint8] = np.empty((image.height, image.width), np.uint8)
    for rows in _strips(image):
        colour[slice(*rows)] = np.asarray(_strip(image, rows).convert("L"))
    if not isinstance(transparent, int):
        return Pixels(colour, None)
    depth = {"1": 1, "L;1": 1, "L;2": 2, "L;4": 4}.get(raw_mode, 8)
    value = 255 * bool(transparent) if depth == 1 else transparent * 255 // ((1 << depth) - 1)
    return Pixels(colour, np.where(colour == value, np.uint8(0), np.uint8(255)))


def _check_palette(image: Image.Image) -> None:
    if image.palette is None:
        return
    entries = len(image.palette.palette) // len(image.palette.mode)
    index = image.getchannel(0) if image.mode == "PA" else image
    most = int(np.flatnonzero(index.histogram()).max())
    if entries and most >= entries:
        raise damaged(f"damaged: colour {most} of a palette of {entries}")


def _colour(image: Image.Image, convert: Callable[..., Image.Image] | None) -> Pixels:
    """Return any other mode as RGB with alpha where it has one, as grey where all of it is grey."""
    import cv2

    shape = (image.height, image.width)
    grey: NDArray[np.uint8] = np.empty(shape, np.uint8)
    colour: NDArray[np.uint8] | None = None
    alpha: NDArray[np.uint8] | None = None
    if image.has_transparency_data:
        alpha = np.empty(shape, np.uint8)
    for rows in _strips(image):
        strip, here = _strip(image, rows), slice(*rows)
        if strip.mode != "RGBA" and (strip.mode != "RGB" or alpha is not None):
            strip = strip.convert("RGBA")
        bands = [np.asarray(band) for band in strip.split()]
        if alpha is not None:
            alpha[here] = bands[3]
        if convert is not None:
            shown = convert(strip if alpha is not None else _strip(image, rows))
            bands = [np.asarray(band) for band in shown.convert("RGB").split()]
        red, green, blue = bands[:3]
        if colour is None and not (np.array_equal(red, green) and np.array_equal(green, blue)):
            colour = np.empty((*shape, 3), np.uint8)
            colour[: rows[0]] = grey[: rows[0], :, None]
        if colour is None:
            grey[here] = red
        else:
            cv2.merge([red, green, blue], colour[here])  # many times numpy's speed
    return Pixels(grey if colour is None else colour, alpha)


def turned(samples: Samples, orientation: int) -> Samples:
    """Return the samples upright, by the orientation tag of Exif 2.32, table 6 (1 to 8)."""
    view = samples[:]
    if orientation in {5, 6, 7, 8}:
        view = samples.swapaxes(0, 1)
    if orientation in {3, 4, 7, 8}:
        view = view[::-1]
    if orientation in {2, 3, 6, 7}:
        view = view[:, ::-1]
    return view.copy()
