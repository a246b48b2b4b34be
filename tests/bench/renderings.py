"""Renderings of drawn icons and glyphs, as clients send them."""

import io
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter  # type: ignore[import-untyped] # carries no types

from tests.drawings import TrueDrawing

Values = NDArray[np.float32]
BLUR_PX = 1.2


def _fractions(steps: NDArray[np.uint8] | NDArray[np.floating]) -> Values:
    """Return steps of 8 bits as fractions."""
    return (steps / np.float32(255)).astype(np.float32)


def _grey(png: bytes) -> Values:
    with Image.open(io.BytesIO(png)) as image:
        return _fractions(255 - np.asarray(image.convert("L")))


def alpha(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased on a transparent ground. The renderer places edges on quarters of a pixel."""
    return _fractions(drawing.alpha(pixels))


def white(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased, black on white."""
    return _grey(drawing.png(pixels, ground="white"))


def fine(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased without the renderer's quarters: eight times as large, then averaged."""
    large = drawing.alpha(8 * pixels).reshape(pixels, 8, pixels, 8)
    return _fractions(np.round(large.mean(axis=(1, 3), dtype=np.float32)))


def bit(drawing: TrueDrawing, pixels: int) -> Values:
    """1-bit, thresholded at one half."""
    return (drawing.alpha(pixels) >= 128).astype(np.float32)


def _jpeg(quality: int) -> Callable[[TrueDrawing, int], Values]:
    def rendering(drawing: TrueDrawing, pixels: int) -> Values:
        buffer = io.BytesIO()
        with Image.open(io.BytesIO(drawing.png(pixels, ground="white"))) as image:
            image.convert("RGB").save(buffer, "JPEG", quality=quality)
        return _grey(buffer.getvalue())

    rendering.__doc__ = f"JPEG of quality {quality} on white."
    return rendering


def blur(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased, then blurred by a Gaussian of standard deviation `BLUR_PX`, 8 bits."""
    soft = gaussian_filter(alpha(drawing, pixels), BLUR_PX, mode="constant")
    return _fractions(np.round(soft * 255))


RENDERINGS: dict[str, Callable[[TrueDrawing, int], Values]] = {
    "alpha": alpha,
    "white": white,
    "fine": fine,
    "bit": bit,
    "jpeg85": _jpeg(85),
    "jpeg60": _jpeg(60),
    "blur": blur,
}
