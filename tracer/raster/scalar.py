"""One number a pixel, large where there is ink: from grey, from colour, from a chosen colour.

All of it works in the stored values: a renderer blends black ink on white paper linearly in them,
so half grey is half covered. For pictures made with light, see `paper.flattened`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.raster.pixels import Samples

FloatImage = NDArray[np.float32]

_CHROMA = 40
"""Spread between channels (of 255) above which a picture counts as coloured. A judgement."""
_SAMPLE = 200_000
_STRIP_PIXELS = 1 << 20
_LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
"""ITU-R BT.709, luma of red, green and blue."""


@dataclass(frozen=True, slots=True, eq=False)
class Tone:
    """Grey levels of a picture, 8 or 16 bit, and what 1 is on their scale."""

    levels: Samples  # (H, W)
    white: int  # 255 or 65535


def grey_of(colour: Samples) -> Tone:
    """Return the luma of a picture, rounded to its own depth; grey pictures as they are."""
    white = int(np.iinfo(colour.dtype).max)
    if colour.ndim == 2:
        return Tone(colour, white)
    levels = np.empty(colour.shape[:2], dtype=colour.dtype)
    for here in strips(colour.shape[0], colour.shape[1]):
        levels[here] = np.rint(colour[here].astype(np.float32) @ _LUMA)
    return Tone(levels, white)


def strips(rows: int, columns: int) -> list[slice]:
    """Return slices of rows of about a million pixels, so that float copies stay small."""
    step = max(1, _STRIP_PIXELS // columns)
    return [slice(top, min(top + step, rows)) for top in range(0, rows, step)]


def sample_of(colour: Samples) -> NDArray[np.float32]:
    """Return at most about 200,000 pixels of an RGB picture, evenly spread, (N, 3)."""
    step = max(1, int((colour.shape[0] * colour.shape[1] / _SAMPLE) ** 0.5))
    return colour[::step, ::step].reshape(-1, 3).astype(np.float32)


def is_coloured(colour: Samples) -> bool:
    """Tell whether colour says more than brightness does."""
    if colour.ndim == 2:
        return False
    sample = sample_of(colour)
    spread = sample.max(axis=1) - sample.min(axis=1)
    return float(np.mean(spread > _CHROMA)) > 1e-3


def ground_colour(colour: Samples) -> NDArray[np.float32]:
    """Return the commonest colour along the border, (3,); ties to the first in order."""
    border = np.concatenate([colour[0], colour[-1], colour[:, 0], colour[:, -1]])  # (N, 3)
    coarse, inverse, counts = np.unique(
        border >> 3, axis=0, return_inverse=True, return_counts=True
    )
    del coarse
    chosen = border[inverse.reshape(-1) == int(counts.argmax())]
    return np.asarray(np.median(chosen, axis=0), dtype=np.float32)


def away_from(colour: Samples, ground: NDArray[np.float32]) -> tuple[Tone, bool]:
    """Return how far each pixel is from the ground colour, as a dark-on-light tone.

    Two colours only: the share of the way from ground to ink. Several: the distance over the
    largest distance within two pixels, so that a light ink has its edge half-way just as a dark
    one has.

    Returns
    -------
    Tone
        16 bit; the ground is white.
    bool
        Whether several inks were found.
    """
    sample = sample_of(colour) - ground
    distance = np.linalg.norm(sample, axis=1)
    far = sample[distance > max(0.5 * float(np.quantile(distance, 0.999)), 1.0)]
    if len(far) == 0:
        return Tone(np.full(colour.shape[:2], 65535, np.uint16), 65535), False
    ink = np.median(far, axis=0)
    length = float(np.linalg.norm(ink)) or 1.0
    aside = np.linalg.norm(far - np.outer(far @ ink / length**2, ink), axis=1)
    short = distance[(distance > 0.15 * length) & (distance < 0.7 * length)]
    # With one ink the colours between are those of edges only: a few in a hundred.
    several = bool(np.mean(aside > 0.25 * length) > 0.05 or len(short) > 0.5 * len(far))
    if several:
        return _by_distance(colour, ground), True
    axis = (ink / length**2).astype(np.float32)
    levels = np.empty(colour.shape[:2], np.uint16)
    for here in strips(colour.shape[0], colour.shape[1]):
        part = (colour[here].astype(np.float32) - ground) @ axis
        levels[here] = np.rint(65535 * (1 - np.clip((part + 0.25) / 1.5, 0, 1)))
    return Tone(levels, 65535), False


def _by_distance(colour: Samples, ground: NDArray[np.float32]) -> Tone:
    import cv2  # noqa: PLC0415 - heavy

    distance = np.empty(colour.shape[:2], np.float32)
    for here in strips(colour.shape[0], colour.shape[1]):
        distance[here] = np.linalg.norm(colour[here].astype(np.float32) - ground, axis=2)
    least = 0.25 * float(np.quantile(distance[::4, ::4], 0.999))
    nearby = cv2.dilate(distance, np.ones((5, 5), np.uint8))
    np.maximum(nearby, max(least, 1.0), out=nearby)
    distance /= nearby
    return Tone(np.rint(65535 * (1 - distance)).astype(np.uint16), 65535)
