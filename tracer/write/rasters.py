"""Pixel pictures for the page: the artwork, what was taken as ink, local width."""

import io
import math
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Artwork, Region, Result
from tracer.process import Limit
from tracer.settings import Role

Grey = NDArray[np.uint8]
Samples = NDArray[Any]  # uint8, uint16 or float32
Box = tuple[float, float, float, float]  # left, bottom, right, top in mm, y up

MAP_PX = 400
_SUPERSAMPLED = 4
METAL_BANDS = ((213, 94, 0), (230, 159, 0), (158, 205, 232), (176, 181, 186))
GAP_BANDS = ((204, 121, 167), (228, 184, 208), (244, 246, 247), (255, 255, 255))
_PLAIN_WIDTHS_MM = (0.5, 1.0, 2.0)


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """An encoded picture and the box of pixels (left, top, right, bottom) that it shows."""

    data: bytes
    mime: str
    box: tuple[int, int, int, int]
    shape: tuple[int, int]  # rows, columns of the picture itself


def ink_raster(
    result: Result, box: tuple[int, int, int, int], most_px: int, *, ink: int = 0
) -> Raster:
    """Return the coverage within a box of pixels: ground white, ink the grey level `ink`."""
    rows, columns = result.coverage.values.shape
    left, top = max(0, box[0]), max(0, box[1])
    right, bottom = min(columns, max(box[2], left + 1)), min(rows, max(box[3], top + 1))
    left, top = min(left, right - 1), min(top, bottom - 1)
    import cv2

    part = _reduced(result.coverage.values[top:bottom, left:right], most_px)
    grey = np.asarray(cv2.convertScaleAbs(part, alpha=ink - 255, beta=255), dtype=np.uint8)
    # runs of one grey pack as small as by looking for repeats, in half of the time
    how = (cv2.IMWRITE_PNG_COMPRESSION, 6, cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE)
    data = cv2.imencode(".png", grey, how)[1].tobytes()
    return Raster(data, "image/png", (left, top, right, bottom), (grey.shape[0], grey.shape[1]))


def artwork_raster(artwork: Artwork, most_px: int) -> Raster:
    """Return the artwork as the client sees it, on a ground that its ink stands out from.

    Colour under alpha 0 is arbitrary and never shown.
    """
    import cv2

    white = np.float32(np.iinfo(artwork.colour.dtype).max)
    if artwork.alpha is None:
        shown = _reduced(artwork.colour, most_px) / white
    else:
        full = int(np.iinfo(artwork.alpha.dtype).max)
        seen, alpha = _nearly(artwork.colour, most_px), _nearly(artwork.alpha, most_px)
        layers = cv2.merge([alpha] * 3) if seen.ndim == 3 else alpha
        depth = cv2.CV_8U if seen.dtype == np.uint8 else cv2.CV_16U
        ink = _reduced(cv2.multiply(seen, layers, scale=1 / full, dtype=depth), most_px) / white
        share = _reduced(alpha, most_px) / np.float32(full)
        solid, shade = float(share.sum()), ink if ink.ndim == 2 else ink.mean(axis=2)
        light = solid > 0 and float(shade.sum()) / solid > 0.75
        bare = np.float32(0.3 if light else 1.0) * (1 - share)
        shown = ink + (bare if ink.ndim == 2 else bare[..., None])
    picture = np.rint(np.minimum(shown, 1) * 255).astype(np.uint8)
    whole = (0, 0, artwork.columns, artwork.rows)
    data = _webp(picture, lossless=False)
    return Raster(data, "image/webp", whole, (picture.shape[0], picture.shape[1]))


def width_map(result: Result, region: Region, box: Box, side_px: int = MAP_PX) -> bytes:
    """Return a map of the local width of metal and of gaps in `region`, as PNG.

    Method: the opening by a disc, as two distance transforms a threshold (width at least 2 r:
    within r of what the opening keeps, so that a corner of something thick does not show as thin).
    Promised to two picture elements (each edge is rounded to half of one, and so is its distance)
    and 2 % (that of the transform); what lies within them of a threshold passes.

    Bands of metal: below least (striped), to advised, to comfortable, above. Those of gaps alike.
    """
    limits = result.limits
    metal, gap = width_thresholds(limits.metal), width_thresholds(limits.gap)
    scale = side_px / max(box[2] - box[0], box[3] - box[1])
    ink = _filled(region, box, scale) >= 128
    is_metal = ~ink if result.settings.role is Role.SUNK else ink
    gaps = _bands(~is_metal, gap, scale) + np.uint8(4)
    bands = np.where(is_metal, _bands(is_metal, metal, scale), gaps)
    rows, columns = bands.shape
    diagonal = np.arange(rows)[:, None] + np.arange(columns)
    striped = (diagonal % 8 < 3) & ((bands == 0) | (bands == 4))
    bands[striped] = 8
    palette = (*METAL_BANDS, *GAP_BANDS, (40, 20, 20))
    return _png(bands, palette)


def width_thresholds(limit: Limit) -> tuple[float, float, float]:
    """Return the widths in mm that part the bands of the map for one limit."""
    if limit.comfortable == 0:
        return _PLAIN_WIDTHS_MM
    return limit.least, limit.advised, limit.comfortable


def _bands(mask: NDArray[np.bool_], thresholds: tuple[float, ...], scale: float) -> Grey:
    """Return how many of the thresholds (mm) the local width of `mask` reaches, 0 to 3."""
    reached = np.zeros(mask.shape, dtype=np.uint8)
    inside = _away(mask)
    if mask.all():
        inside[:] = math.inf
    for threshold in thresholds:
        radius = threshold * scale / 2
        kept = inside >= radius - 0.25
        if not kept.any():
            break
        reached += _away(~kept) <= 2 * radius
    return reached


def _away(mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the distance to the nearest place outside a mask, to 2 % (Borgefors, 1986)."""
    import cv2

    found = cv2.distanceTransform(mask.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    return np.asarray(found, dtype=np.float32)


def _filled(region: Region, box: Box, scale: float) -> Grey:
    """Return a region filled, (rows, columns), 0..255, `scale` pixels a mm, row 0 at the top."""
    import cv2

    n, shift = _SUPERSAMPLED, 6
    columns = max(1, math.ceil((box[2] - box[0]) * scale))
    rows = max(1, math.ceil((box[3] - box[1]) * scale))
    canvas = np.zeros((rows * n, columns * n), dtype=np.uint8)
    rings = [shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.get_parts(region))]
    if rings:
        fine = scale * n
        fixed = [
            np.rint(
                (np.column_stack([r[:, 0] - box[0], box[3] - r[:, 1]]) * fine - 0.5) * (1 << shift)
            ).astype(np.int32)
            for r in rings
        ]
        cv2.fillPoly(canvas, fixed, color=255, shift=shift)
    reduced = cv2.resize(canvas, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(reduced, dtype=np.uint8)


def _nearly(picture: Samples, most_px: int) -> Samples:
    """Return every n-th pixel of a picture, at least twice as many as will be shown."""
    step = max(1, max(picture.shape[:2]) // (2 * most_px))
    return np.ascontiguousarray(picture[step // 2 :: step, step // 2 :: step])


def _reduced(picture: Samples, most_px: int) -> NDArray[np.float32]:
    """Return a picture of at most `most_px` a side, in the numbers that it came in."""
    import cv2

    rows, columns = picture.shape[:2]
    factor = most_px / max(rows, columns)
    if factor >= 1:
        return picture.astype(np.float32)
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    near = _nearly(picture, most_px)
    return np.asarray(cv2.resize(near, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _png(pixels: Grey, palette: tuple[tuple[int, int, int], ...] = ()) -> bytes:
    from PIL import Image

    image = Image.fromarray(np.ascontiguousarray(pixels))
    if palette:
        image.putpalette([level for colour in palette for level in colour])
    with io.BytesIO() as out:
        image.save(out, "PNG", compress_level=6)
        return out.getvalue()


def _webp(pixels: Grey, *, lossless: bool) -> bytes:
    from PIL import Image

    import_module("PIL.WebPImagePlugin")  # else Pillow loads all forty to find it

    with io.BytesIO() as out:
        image = Image.fromarray(np.ascontiguousarray(pixels))
        image.save(out, "WEBP", lossless=lossless, quality=80 if not lossless else 40, method=2)
        return out.getvalue()
