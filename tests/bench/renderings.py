"""Renderings of drawn icons and glyphs, as clients send them.

All but `quarters` come from the Agg rasteriser (through matplotlib), which counts the area of each
pixel exactly, to 1/256 px and 8 bits. resvg places edges on the nearest quarter of a pixel.
"""

import io
from collections.abc import Callable

import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.path import Path
from matplotlib.transforms import Affine2D
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter  # type: ignore[import-untyped] # carries no types

from tests.drawings import TrueDrawing
from tests.truth import contours_of

Values = NDArray[np.float32]
BLUR_PX = 1.2


def _fractions(steps: NDArray[np.uint8] | NDArray[np.floating]) -> Values:
    """Return steps of 8 bits as fractions."""
    return (steps / np.float32(255)).astype(np.float32)


def _grey(steps: NDArray[np.uint8]) -> Values:
    """Return how dark a grey picture on white is."""
    return _fractions(255 - steps)


def _area(drawing: TrueDrawing, pixels: int) -> NDArray[np.uint8]:
    """Return the area of each pixel that is filled, of 255, (pixels, pixels)."""
    closed = [Path(np.vstack([c, c[:1]]), closed=True) for c in contours_of(drawing, pixels)]
    path = Path.make_compound_path(*closed)
    path.should_simplify = False
    page = RendererAgg(pixels, pixels, 72.0)
    pen = page.new_gc()
    pen.set_snap(False)
    pen.set_linewidth(0.0)
    upright = Affine2D().scale(1, -1).translate(0, pixels)  # the page's y points up
    page.draw_path(pen, path, upright, (0.0, 0.0, 0.0, 1.0))
    return np.asarray(page.buffer_rgba())[..., 3].copy()


def alpha(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased by area on a transparent ground."""
    return _fractions(_area(drawing, pixels))


def quarters(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased on a transparent ground by resvg, whose edges lie on quarters of a pixel."""
    return _fractions(drawing.alpha(pixels))


def white(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased, black on white."""
    return _grey(255 - _area(drawing, pixels))


def bit(drawing: TrueDrawing, pixels: int) -> Values:
    """1-bit, thresholded at one half."""
    return (_area(drawing, pixels) >= 128).astype(np.float32)


def _jpeg(quality: int) -> Callable[[TrueDrawing, int], Values]:
    def rendering(drawing: TrueDrawing, pixels: int) -> Values:
        buffer = io.BytesIO()
        image = Image.fromarray(255 - _area(drawing, pixels))
        image.convert("RGB").save(buffer, "JPEG", quality=quality)
        with Image.open(buffer) as lossy:
            return _grey(np.asarray(lossy.convert("L")))

    rendering.__doc__ = f"JPEG of quality {quality} on white."
    return rendering


def blur(drawing: TrueDrawing, pixels: int) -> Values:
    """Anti-aliased, then blurred by a Gaussian of standard deviation `BLUR_PX`, 8 bits."""
    soft = gaussian_filter(alpha(drawing, pixels), BLUR_PX, mode="constant")
    return _fractions(np.round(soft * 255))


RENDERINGS: dict[str, Callable[[TrueDrawing, int], Values]] = {
    "alpha": alpha,
    "quarters": quarters,
    "white": white,
    "bit": bit,
    "jpeg85": _jpeg(85),
    "jpeg60": _jpeg(60),
    "blur": blur,
}
