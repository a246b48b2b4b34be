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
_LEAST_INK = 0.25
"""Of the largest distance from the ground: what is paler has its edge where half of this is."""
_OVER_RULINGS = 3.5
"""Rulings come out covered by this one's inverse, well below half. A judgement."""
_STEPS = np.float32(128)
"""Distances are kept in whole numbers of this part of a level of 255."""
_FLAT = 12
_TINT = 0.06
"""Of the distance from ground to ink: a tint that the paper's own shades do not have."""
_ASIDE = 0.14
"""Of the distance from ground to ink: red and gold on white lie .17 off the way to each other, the
colour that JPEG 60 lets bleed over edges no more than this but for one pixel in a hundred."""
_SAMPLE = 200_000
_STRIP_PIXELS = 1 << 20
_LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
"""ITU-R BT.709, luma of red, green and blue."""
_LUMA_AND_COLOUR = np.array(
    [[0.299, 0.587, 0.114], [-0.1687, -0.3313, 0.5], [0.5, -0.4187, -0.0813]], np.float32
)
"""Y, Cb and Cr of R, G and B (ITU-T T.871, 7)."""
_COLOUR_SAYS = 0.5
"""Weight of Cb and Cr against Y where an edge is unmixed. JPEG stores them coarser, most often at
half the resolution. In a mixture of two all three say the same; less weight would mistake one of
three, where a renderer lets the ground through between neighbours. By trial."""
WEIGHTED = np.array([[1], [_COLOUR_SAYS], [_COLOUR_SAYS]], np.float32) * _LUMA_AND_COLOUR
MOSTLY_BRIGHTNESS = WEIGHTED.T @ WEIGHTED


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


def light_of(stored: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the light that values stored by the curve of sRGB (IEC 61966-2-1) stand for."""
    return np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)


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
    """Return the commonest colour along the border and two rings inside it, (3,).

    Ties go to the first in order. A ruling may run along the very border.
    """
    side = min(colour.shape[:2])
    rings = [colour[k : colour.shape[0] - k, k : colour.shape[1] - k] for k in
             sorted({0, side // 50, side // 25})]  # fmt: skip
    border = np.concatenate([line for r in rings for line in (r[0], r[-1], r[:, 0], r[:, -1])])
    # One number a colour: comparing rows of three takes fifty times as long.
    coarse = (border >> 3).astype(np.int64) @ np.array([1 << 32, 1 << 16, 1])
    names, counts = np.unique(coarse, return_counts=True)
    chosen = border[coarse == names[counts.argmax()]]
    return np.asarray(np.median(chosen, axis=0), dtype=np.float32)


def away_from(colour: Samples, ground: NDArray[np.float32]) -> tuple[Tone, bool, bool]:
    """Return how far each pixel is from the ground colour, as a dark-on-light tone.

    Two colours only: the share of the way from ground to ink. On unevenly lit paper: the channel
    that tells the two apart best, to be evened out like any grey. Several: the distance over the
    largest distance within two pixels, so that a light ink has its edge half-way just as a dark
    one has.

    Returns
    -------
    Tone
        16 bit; the ground is white.
    bool
        Whether several inks were found.
    bool
        Whether pale lines from border to border, as of squared paper, were taken for none.
    """
    sample = sample_of(colour)
    channel = _lit_channel(sample, ground)
    if channel is not None:
        return Tone(colour[..., channel].copy(), int(np.iinfo(colour.dtype).max)), False, False
    sample = (sample - ground) @ WEIGHTED.T
    distance = np.linalg.norm(sample, axis=1)
    far = sample[distance > max(0.5 * float(np.quantile(distance, 0.999)), 1.0)]
    if len(far) == 0:
        return Tone(np.full(colour.shape[:2], 65535, np.uint16), 65535), False, False
    ink = np.median(far, axis=0)
    length = float(np.linalg.norm(ink)) or 1.0
    aside = np.linalg.norm(far - np.outer(far @ ink / length**2, ink), axis=1)
    short = distance[(distance > 0.15 * length) & (distance < 0.7 * length)]
    # With one ink the colours between are those of edges only: a few in a hundred.
    several = bool(
        np.mean(aside > _ASIDE * length) > 0.05
        or len(short) > 0.5 * len(far)
        or _pale_areas(colour, ground, length) > 0.02 * len(far)
    )
    if several:
        tone, ruled = by_distance(colour, ground)
        return tone, True, ruled
    return _along(colour, ground, WEIGHTED.T @ ink / length**2), False, False


def _along(colour: Samples, ground: NDArray[np.float32], axis: NDArray[np.float32]) -> Tone:
    """Return the share of the way from the ground to the ink, from -0.25 to 1.25, ground white."""
    slope = (-65535 / 1.5 * axis).astype(np.float32)
    start = np.float32(65535 * (1 - 0.25 / 1.5) - float(ground @ slope) + 0.5)
    levels = np.empty(colour.shape[:2], np.uint16)
    for here in strips(colour.shape[0], colour.shape[1]):
        part = colour[here].astype(np.float32) @ slope
        part += start
        np.clip(part, 0, 65535, out=part)
        levels[here] = part  # cut off, so rounded by the half above
    return Tone(levels, 65535)


def _shade_of(pixels: NDArray[np.float32], ground: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the number times the ground that comes nearest to each pixel (N, 3): (N,)."""
    return np.asarray(pixels @ ground / max(float(ground @ ground), 1.0), dtype=np.float32)


def _lit_channel(sample: NDArray[np.float32], ground: NDArray[np.float32]) -> int | None:
    """Return the channel that shows one coloured ink best on unevenly lit paper, None elsewhere.

    Such a picture holds the ground in many shades, and of other colours one.
    """
    shade = _shade_of(sample, ground)
    tint = sample - shade[:, None] * ground
    strength = np.linalg.norm(tint, axis=1)
    full = float(np.quantile(strength, 0.999))
    shades = shade[(strength < 0.2 * full) & (np.abs(shade - 1) > 0.1)]
    tinted = strength > 0.5 * full
    if len(shades) < 0.05 * len(sample) or not tinted.any():
        return None
    counts = np.bincount((shades * 32).astype(np.intp).clip(0, 255))
    ways = tint[tinted] / strength[tinted, None]
    way = np.median(ways, axis=0)
    one_colour = np.mean(np.linalg.norm(ways - way, axis=1) < 0.3) > 0.95
    if counts.max() > 0.5 * counts.sum() or not one_colour:
        return None
    # the channel in which the ink is darkest beside paper in the same light
    return int(np.median(sample[tinted] / np.maximum(ground, 16), axis=0).argmin())


def _pale_areas(colour: Samples, ground: NDArray[np.float32], length: float) -> int:
    """Return how many sampled pixels are of an ink paler than the main one: flat, and no shade.

    A shade of the ground is the ground times a number.
    """
    step = max(1, int((colour.shape[0] * colour.shape[1] / _SAMPLE) ** 0.5))
    here = colour[:-1:step, :-1:step].reshape(-1, 3).astype(np.float32)
    below = colour[1::step, :-1:step].reshape(-1, 3)
    right = colour[:-1:step, 1::step].reshape(-1, 3)
    flat = (np.abs(here - below).max(axis=1) < _FLAT) & (np.abs(here - right).max(axis=1) < _FLAT)
    distance = np.linalg.norm((here - ground) @ WEIGHTED.T, axis=1)
    shade = _shade_of(here, ground)[:, None] * ground
    tinted = np.linalg.norm((here - shade) @ WEIGHTED.T, axis=1) > _TINT * length
    pale = flat & tinted & (distance > 0.15 * length) & (distance < 0.7 * length)
    return int(np.count_nonzero(pale))


def by_distance(
    colour: Samples, ground: NDArray[np.float32], faintest: float = _LEAST_INK
) -> tuple[Tone, bool]:
    """Return the distance from the ground over the largest within two pixels, dark on light.

    `faintest` is the share of the largest of all below which ink is taken as half of that.

    Also whether pale rulings were left out: what would make them ink is then asked of all ink.
    """
    import cv2

    rows, columns = colour.shape[:2]
    distance = np.empty((rows, columns), np.uint16)
    for here in strips(rows, columns):
        part = colour[here].reshape(-1, columns, ground.size) - ground
        part *= _STEPS
        np.sqrt(np.einsum("ijk,ijk->ij", part, part), out=distance[here], casting="unsafe")
    top = float(np.quantile(distance[::4, ::4], 0.999))
    rulings, ruled = _rulings(distance, top)
    least = max(faintest * top, min(_OVER_RULINGS * rulings, 0.9 * top), float(_STEPS))
    box = np.ones((5, 5), np.uint8)
    levels = np.empty((rows, columns), np.uint16)
    for here in strips(rows, columns):
        about = slice(max(0, here.start - 2), here.stop + 2)
        largest = cv2.dilate(distance[about], box)[here.start - about.start :][: len(levels[here])]
        share = distance[here] / np.maximum(largest, np.float32(least))
        if ruled is not None:  # ink over a ruling of strength s, as over a shadow: see there
            strength = np.float32(rulings / least)
            over = ruled[here]
            share[over] = np.maximum(share[over] - strength, 0) / (1 - strength)
        np.rint(65535 * (1 - share), out=levels[here], casting="unsafe")
    return Tone(levels, 65535), ruled is not None


def _rulings(distance: NDArray[np.uint16], top: float) -> tuple[float, NDArray[np.bool_] | None]:
    """Return the distance from the ground of pale thin lines from border to border, if any.

    Also where they lie, as far as their ends on the edge of the ink; None where there are none.
    """
    import cv2

    strong = cv2.dilate((distance > 0.5 * top).view(np.uint8), np.ones((5, 5), np.uint8))
    pale = ((distance > 0.1 * top) & (strong == 0)).view(np.uint8)
    ends = ((pale[:, :5], pale[:, -5:]), (pale[:5], pale[-5:]))
    if not any(one.any() and other.any() for one, other in ends):
        return 0.0, None
    side = max(3, min(distance.shape) // 100)
    thick = cv2.morphologyEx(pale, cv2.MORPH_OPEN, np.ones((side, side), np.uint8))
    pale[cv2.dilate(thick, np.ones((3, 3), np.uint8)) > 0] = 0
    rows, columns = distance.shape
    _, labels, stats, _ = cv2.connectedComponentsWithStats(pale, connectivity=8)
    whole = (stats[:, cv2.CC_STAT_WIDTH] >= columns - 4) | (
        stats[:, cv2.CC_STAT_HEIGHT] >= rows - 4
    )
    whole[0] = False
    lines = whole[labels]
    chosen = distance[lines]
    if not len(chosen):
        return 0.0, None
    reach = cv2.dilate(lines.view(np.uint8), np.ones((5, 5), np.uint8))
    lines |= (reach > 0) & (strong > 0)
    return float(np.quantile(chosen, 0.9)), lines
