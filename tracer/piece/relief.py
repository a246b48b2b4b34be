"""A shaded picture of the piece, rendered from its heights."""

import base64
import io
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Region

_LIGHT = np.array([-0.5, 0.62, 0.6], dtype=np.float32)
_METAL = np.array(
    [[52, 56, 60], [126, 131, 135], [196, 200, 203], [246, 248, 249]], dtype=np.float32
)
_STOPS = np.array([0.0, 0.45, 0.8, 1.0], dtype=np.float32)
_FLAT_MM = 1e-4
_OVER = 3
"""Pixels are rendered this many times finer and averaged."""

_BAND = 40
"""Rows shaded at a time, so that the picture takes little memory."""

_SMOOTH_PX = 0.8
"""Blur of the heights in pixels of the picture: below it the steps of the grid show as beads."""

Heights = NDArray[np.float32]


def height_field(
    layers: list[tuple[float, Region]], box: tuple[float, float, float, float], pixels: int
) -> Heights:
    """Return the height of the surface above the back, (rows, columns), row 0 at the top.

    Between two sections the surface runs straight from the edge of the lower to that of the upper
    one: the height of a pixel follows from its distances to both.
    """
    import cv2

    left, bottom, right, top = box
    step = max(right - left, top - bottom) / pixels
    shape = (round((top - bottom) / step), round((right - left) / step))
    heights = np.zeros(shape, dtype=np.float32)
    masks = (_mask(region, left, top, step, shape) for _, region in layers)
    upper = next(masks)
    for (z, _), (above, _) in pairwise(layers):
        lower, upper = upper, next(masks)
        rise = above - z
        strip = (lower > 0) & (upper == 0)
        if rise < _FLAT_MM or not strip.any():
            heights[strip] = z
            continue
        to_lower = cv2.distanceTransform(lower, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[strip]
        to_upper = cv2.distanceTransform(1 - upper, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[strip]
        heights[strip] = z + rise * to_lower / np.maximum(to_lower + to_upper, 1e-6)
    heights[upper > 0] = layers[-1][0]
    return heights


def relief_png(
    layers: list[tuple[float, Region]], box: tuple[float, float, float, float], pixels: int
) -> bytes:
    """Return a shaded picture of a piece on white as PNG; light falls from the upper left."""
    from PIL import Image

    margin = 0.04 * max(box[2] - box[0], box[3] - box[1])
    box = (box[0] - margin, box[1] - margin, box[2] + margin, box[3] + margin)
    heights = height_field(layers, box, pixels * _OVER)
    step = max(box[2] - box[0], box[3] - box[1]) / (pixels * _OVER)
    rows, columns = (n // _OVER for n in heights.shape)
    fields = [field[: rows * _OVER, : columns * _OVER] for field in _fields(heights, step)]
    picture = np.empty((rows, columns, 3), dtype=np.uint8)
    for first in range(0, rows, _BAND):
        fine = slice(first * _OVER, (first + _BAND) * _OVER)
        shaded = _shaded(*(field[fine] for field in fields))
        mean = shaded.reshape(-1, _OVER, columns, _OVER, 3).mean(axis=(1, 3))
        picture[first : first + _BAND] = np.clip(np.rint(mean), 0, 255)
    image = Image.fromarray(picture)
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def png_uri(data: bytes) -> str:
    """Return a PNG as a data address."""
    return f"data:image/png;base64,{base64.b64encode(data).decode('ascii')}"


def _fields(heights: Heights, step: float) -> tuple[Heights, ...]:
    """Return what the light of a pixel depends on, each of the form of the heights.

    The heights; their slopes to the right and down; how far round about it is higher; the shadow.
    """
    import cv2

    smooth = cv2.GaussianBlur(heights, (0, 0), _SMOOTH_PX * _OVER)
    dy, dx = np.gradient(smooth, np.float32(step))
    # hollows get less of the sky: the height below the mean height round about
    higher = cv2.GaussianBlur(heights, (0, 0), 1.2 / step) - heights
    shadow = cv2.GaussianBlur((heights > 0).astype(np.float32), (0, 0), 0.7 / step)
    shift = round(0.5 / step)
    return heights, dx, dy, higher, np.roll(shadow, (shift, shift), axis=(0, 1))


def _shaded(
    heights: Heights, dx: Heights, dy: Heights, higher: Heights, shadow: Heights
) -> NDArray[np.float32]:
    """Return the colour of every pixel, (rows, columns, 3), of 255."""
    # steep walls are flattened, so that they read as lines of light and shade
    slope = np.hypot(dx, dy)
    tame = np.where(slope > 0, np.arctan(slope * 0.9) / np.maximum(slope, 1e-9), 1.0)
    normal = np.stack([-dx * tame, dy * tame, np.ones_like(dx)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    light = _LIGHT / np.linalg.norm(_LIGHT)
    diffuse = np.clip(normal @ light, 0, 1)
    half = light + np.array([0, 0, 1], dtype=np.float32)
    gleam = np.clip(normal @ (half / np.linalg.norm(half)), 0, 1) ** 24
    hollow = np.clip(higher * 0.5, 0, 0.35)
    tone = np.clip(0.22 + 0.66 * diffuse + 0.3 * gleam - hollow, 0, 1)
    channels = [np.interp(tone, _STOPS, _METAL[:, k]).astype(np.float32) for k in range(3)]
    colour = np.stack(channels, axis=-1)
    ground = 255 - 60 * np.clip(shadow, 0, 1)
    return np.where(heights[..., None] > 0, colour, ground[..., None])


def _mask(
    region: Region, left: float, top: float, step: float, shape: tuple[int, int]
) -> NDArray[np.uint8]:
    from PIL import Image, ImageDraw

    image = Image.new("1", (shape[1], shape[0]), 0)
    pen = ImageDraw.Draw(image)
    for polygon in region.geoms:
        for ring, fill in ((polygon.exterior, 1), *((h, 0) for h in polygon.interiors)):
            points = shapely.get_coordinates(ring)
            on_page = np.column_stack([(points[:, 0] - left), (top - points[:, 1])]) / step - 0.5
            pen.polygon([(float(x), float(y)) for x, y in on_page], fill=fill)
    return np.asarray(image).astype(np.uint8)
