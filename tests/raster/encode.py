"""Small images in every encoding, made anew by each test that needs them."""

import io
import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image


def anchor(rows: int = 91, columns: int = 121) -> NDArray[np.uint8]:
    """Return a lopsided design, ink 255 on 0, its edges half-covered; no turn maps it to itself."""
    y, x = np.mgrid[: rows * 4, : columns * 4] / 4
    ring = np.abs(np.hypot(x - 0.3 * columns, y - 0.25 * rows) - 0.13 * rows) < 0.05 * rows
    shank = (np.abs(x - 0.3 * columns) < 0.04 * columns) & (y > 0.36 * rows) & (y < 0.9 * rows)
    fluke = (y > 0.78 * rows) & (y < 0.9 * rows) & (x > 0.3 * columns) & (x < 0.8 * columns)
    ink = (ring | shank | fluke).astype(np.float64)
    covered = ink.reshape(rows, 4, columns, 4).mean(axis=(1, 3))
    return np.asarray(np.rint(covered * 255), dtype=np.uint8)


def encoded(image: Image.Image, file_format: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    image.save(stream, file_format, **options)
    return stream.getvalue()


def on_white(ink: NDArray[np.uint8]) -> Image.Image:
    return Image.fromarray(255 - ink)


def ten_encodings() -> dict[str, bytes]:
    grey = on_white(anchor())
    rgb = grey.convert("RGB")
    return {
        "png": encoded(grey, "PNG"),
        "jpeg": encoded(rgb, "JPEG"),
        "jpeg-progressive": encoded(rgb, "JPEG", progressive=True),
        "tiff-raw": encoded(rgb, "TIFF"),
        "tiff-lzw": encoded(rgb, "TIFF", compression="tiff_lzw"),
        "tiff-deflate": encoded(rgb, "TIFF", compression="tiff_adobe_deflate"),
        "tiff-g4": encoded(grey.convert("1"), "TIFF", compression="group4"),
        "webp": encoded(rgb, "WEBP"),
        "bmp": encoded(rgb, "BMP"),
        "gif": encoded(grey, "GIF"),
    }


def chunk(kind: bytes, content: bytes) -> bytes:
    """Return a PNG chunk (W3C PNG, Third Edition, 5.3)."""
    return (
        struct.pack(">I", len(content)) + kind + content
        + struct.pack(">I", zlib.crc32(kind + content))
    )  # fmt: skip


def png(
    width: int, height: int, depth: int, colour_type: int, rows: bytes, *between: bytes
) -> bytes:
    """Return a PNG written by hand: `rows` are unfiltered and already carry their filter byte."""
    header = struct.pack(">IIBBBBB", width, height, depth, colour_type, 0, 0, 0)
    return b"".join(
        [b"\x89PNG\r\n\x1a\n", chunk(b"IHDR", header), *between,
         chunk(b"IDAT", zlib.compress(rows)), chunk(b"IEND", b"")]
    )  # fmt: skip
