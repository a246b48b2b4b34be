"""Pixel pictures for the page: the artwork, what was taken as ink, local width."""

import io
import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Artwork, Region, Result
from tracer.process import Limit
from tracer.settings import Role

Grey = NDArray[np.uint8]
Box = tuple[float, float, float, float]  # left, bottom, right, top in mm, y up

MAP_PX = 512
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
    part = _reduced(result.coverage.values[top:bottom, left:right], most_px)
    grey = np.rint(255 - part * (255 - ink)).astype(np.uint8)
    return Raster(
        _png(grey), "image/png", (left, top, right, bottom), (grey.shape[0], grey.shape[1])
    )


def artwork_raster(artwork: Artwork, most_px: int) -> Raster:
    """Return the artwork as the client sees it, on a ground that its ink stands out from.

    Colour under alpha 0 is arbitrary and never shown.
    """
    step = max(1, max(artwork.rows, artwork.columns) // (3 * most_px))
    colour = artwork.colour[::step, ::step].astype(np.float32)
    colour *= np.float32(1 / np.iinfo(artwork.colour.dtype).max)
    if artwork.alpha is not None:
        alpha = artwork.alpha[::step, ::step].astype(np.float32)
        alpha *= np.float32(1 / np.iinfo(artwork.alpha.dtype).max)
        solid = float(alpha.sum())
        shade = colour if colour.ndim == 2 else colour.mean(axis=2)
        light = solid > 0 and float((shade * alpha).sum()) / solid > 0.75
        ground = np.float32(0.3 if light else 1.0)
        if colour.ndim == 3:
            alpha = alpha[..., None]
        colour = colour * alpha + ground * (1 - alpha)
    picture = np.rint(_reduced(colour, most_px) * 255).astype(np.uint8)
    whole = (0, 0, artwork.columns, artwork.rows)
    data = _webp(picture, lossless=False)
    return Raster(data, "image/webp", whole, (picture.shape[0], picture.shape[1]))


def width_map(result: Result, region: Region, box: Box, side_px: int = MAP_PX) -> bytes:
    """Return a map of the local width of metal and of gaps in `region`, as PNG.

    Method: the opening by a disc, as two exact Euclidean distance transforms a threshold (width
    at least 2 r: within r of what the opening keeps, so that a corner of something thick does not
    show as thin). Promised to two picture elements (each edge is rounded to half of one, and so is
    its distance); what lies within them of a threshold passes.

    Bands of metal: below least (striped), to advised, to comfortable, above. Those of gaps alike.
    """
    limits = result.limits
    metal, gap = width_thresholds(limits.metal), width_thresholds(limits.gap)
    scale = side_px / max(box[2] - box[0], box[3] - box[1])
    ink = _filled(region, box, scale) >= 128
    is_metal = ~ink if result.settings.role is Role.SUNK else ink
    bands = np.where(is_metal, _bands(is_metal, metal, scale), 4 + _bands(~is_metal, gap, scale))
    rows, columns = bands.shape
    diagonal = np.arange(rows)[:, None] + np.arange(columns)
    striped = (diagonal % 8 < 3) & ((bands == 0) | (bands == 4))
    bands[striped] = 8
    palette = (*METAL_BANDS, *GAP_BANDS, (40, 20, 20))
    return _png(bands.astype(np.uint8), palette)


def width_thresholds(limit: Limit) -> tuple[float, float, float]:
    """Return the widths in mm that part the bands of the map for one limit."""
    if limit.comfortable == 0:
        return _PLAIN_WIDTHS_MM
    return limit.least, limit.advised, limit.comfortable


def _bands(
    mask: NDArray[np.bool_], thresholds: tuple[float, ...], scale: float
) -> NDArray[np.intp]:
    """Return how many of the thresholds (mm) the local width of `mask` reaches, 0 to 3."""
    import cv2  # noqa: PLC0415 - 0.1 s, only when a page is made

    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    if mask.all():
        inside[:] = math.inf
    reached = np.zeros(mask.shape, dtype=np.intp)
    for threshold in thresholds:
        radius = threshold * scale / 2
        kept = inside >= radius - 0.25
        if not kept.any():
            break
        far = cv2.distanceTransform((~kept).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        reached += far <= 2 * radius
    return reached


def _filled(region: Region, box: Box, scale: float) -> Grey:
    """Return a region filled, (rows, columns), 0..255, `scale` pixels a mm, row 0 at the top."""
    import cv2  # noqa: PLC0415 - 0.1 s, only when a page is made

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


def _reduced(picture: NDArray[np.float32], most_px: int) -> NDArray[np.float32]:
    import cv2  # noqa: PLC0415 - 0.1 s, only when a page is made

    rows, columns = picture.shape[:2]
    factor = most_px / max(rows, columns)
    if factor >= 1:
        return picture
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _png(pixels: Grey, palette: tuple[tuple[int, int, int], ...] = ()) -> bytes:
    from PIL import Image  # noqa: PLC0415 - only when a page is made

    image = Image.fromarray(np.ascontiguousarray(pixels))
    if palette:
        image.putpalette([level for colour in palette for level in colour])
    with io.BytesIO() as out:
        image.save(out, "PNG", compress_level=6)
        return out.getvalue()


def _webp(pixels: Grey, *, lossless: bool) -> bytes:
    from PIL import Image  # noqa: PLC0415 - only when a page is made

    with io.BytesIO() as out:
        image = Image.fromarray(np.ascontiguousarray(pixels))
        image.save(out, "WEBP", lossless=lossless, quality=80 if not lossless else 40, method=2)
        return out.getvalue()
