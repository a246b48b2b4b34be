"""Bytes to `Artwork`: the only place that decodes."""

import hashlib
import io

import numpy as np
from PIL import Image

from tracer.model import Artwork
from tracer.settings import InkOptions

FORMATS = ("PNG", "JPEG", "TIFF", "WEBP", "BMP", "GIF")


def read_artwork(data: bytes, name: str, options: InkOptions) -> Artwork:
    """Decode an image.

    Raises
    ------
    InputError
        Not an image, damaged, cut off, or larger than `options.max_pixels`.
    """
    with Image.open(io.BytesIO(data), formats=FORMATS) as image:
        rgba = np.asarray(image.convert("RGBA"))
        return Artwork(
            name=name,
            colour=rgba[..., :3],
            alpha=rgba[..., 3] if image.has_transparency_data else None,
            density_per_mm=None,
            file_format=str(image.format),
            sha256=hashlib.sha256(data).hexdigest(),
        )
