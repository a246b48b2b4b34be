"""How well the edge of an artwork is known."""

import math

import numpy as np
from numpy.typing import NDArray

from tracer.contour.area import Floats, away_from_ink, read_between
from tracer.model import Coverage, Edge, EdgeNoise, Points

PROFILES = 600
"""Edge profiles looked at, spread evenly over all rings."""
STEP_PX = 0.25
REACH_PX = 8.0
PURE = 0.2
"""A value this near to 0 or 1 is taken for a pixel without a share of grey."""
RESAMPLED_VAR_PX2 = 0.25
"""Variance of a sharp edge as a profile shows it: 1/12 of the pixel's box, 1/6 of reading between
pixels by proportion."""
QUARTILES = 2 * 0.6744898
"""Distance of the quartiles of a normal distribution, in standard deviations."""
STAIRS_FROM = 0.9
"""Share of steps without grey above which an artwork is 1-bit. Few steps of an anti-aliased one
fall on whole pixels, but artwork of level sides with small fillets has few others."""
SOFT_FROM_PX = 0.45
FLAT_FROM_PX = 2.5
RINGING_FROM = 0.008
"""Spread of flats above which they ring: two steps of 8 bits."""

SHARP_SIGMA_PX = 0.03
"""8-bit coverage places an edge to 1/255 px at best; renderers that sample coverage on a grid of
quarters of a pixel to 0.07 px (1/4 / sqrt 12). Between the two, by trial."""
SHARP_TOLERANCE_PX = 0.1
STAIRS_SIGMA_PX = 1 / math.sqrt(12)
"""Spread of the true edge in the pixel that the staircase rounds it to."""
STAIRS_TOLERANCE_PX = 0.5


def edge_noise(coverage: Coverage, rings: tuple[Points, ...]) -> EdgeNoise:
    """Measure the edge noise of a coverage along its contours.

    One verdict for the artwork, from the majority of its edge:

    * *staircase* when the pixels at the steps of the line are empty or full, without a share;
    * *soft* when the distance between the levels 1/4 and 3/4 is that of a blurred edge;
    * *ringing* when pixels away from any edge are neither empty nor full;
    * *sharp* otherwise.

    Not promised: the exact blur of artwork whose strokes are thinner than the blur; only profiles
    that reach from full to empty are measured.

    Parameters
    ----------
    coverage
        What the rings were extracted from.
    rings
        Level lines as `extract_rings` returns them, before refinement.
    """
    if not rings:
        return EdgeNoise(Edge.SHARP, SHARP_SIGMA_PX, 0.0, SHARP_TOLERANCE_PX)
    if _pure_steps(coverage.values, rings) > STAIRS_FROM:
        size = max(1.0, coverage.pixel_size)
        return EdgeNoise(Edge.STAIRS, STAIRS_SIGMA_PX * size, 0.0, STAIRS_TOLERANCE_PX * size)
    profiles = _profiles(coverage.values, rings)
    blur = _blur(profiles)
    ringing = _ringing(profiles, blur)
    if blur >= SOFT_FROM_PX:
        sigma = SHARP_SIGMA_PX + ringing * blur
        return EdgeNoise(Edge.SOFT, sigma, blur, _tolerance(sigma))
    if ringing >= RINGING_FROM:
        sigma = SHARP_SIGMA_PX + ringing  # a coverage off by r moves a sharp edge by r px
        return EdgeNoise(Edge.RINGING, sigma, 0.0, _tolerance(sigma))
    return EdgeNoise(Edge.SHARP, SHARP_SIGMA_PX, 0.0, SHARP_TOLERANCE_PX)


def _tolerance(sigma_px: float) -> float:
    return min(SHARP_TOLERANCE_PX + 2 * (sigma_px - SHARP_SIGMA_PX), STAIRS_TOLERANCE_PX)


def _pure_steps(values: NDArray[np.float32], rings: tuple[Points, ...]) -> float:
    """Return the share of the steps of the line at which all pixels are empty or full.

    A step is where the line goes from between horizontal neighbours to between vertical ones: an
    anti-aliased edge has a grey pixel there, whatever its direction.
    """
    shares = []
    for ring in rings:
        on_row = np.abs(ring[:, 1] - np.floor(ring[:, 1]) - 0.5) < 1e-9
        step = np.flatnonzero(on_row != np.roll(on_row, -1))
        # the cell of four pixels that both crossings lie on
        cell = np.floor((ring[step] + np.roll(ring, -1, axis=0)[step]) / 2 - 0.5).astype(int)
        shares.append(cell)
    cells = np.concatenate(shares) + 1
    padded = np.pad(values, 1)
    grey = np.zeros(len(cells), dtype=bool)
    for right in (0, 1):
        for under in (0, 1):
            value = padded[cells[:, 1] + under, cells[:, 0] + right]
            grey |= (value > PURE) & (value < 1 - PURE)
    return 1 - float(grey.mean()) if len(grey) else 0.0


def _profiles(values: NDArray[np.float32], rings: tuple[Points, ...]) -> Floats:
    """Return coverage across the edge, (profiles, places from ink outwards)."""
    total = sum(map(len, rings))
    every = max(1, total // PROFILES)
    spots, ways = [], []
    for ring in rings:
        if len(ring) < 8:
            continue
        nth = np.arange(0, len(ring), every)
        spots.append(ring[nth])
        ways.append(np.roll(ring, -3, axis=0)[nth] - np.roll(ring, 3, axis=0)[nth])
    if not spots:
        return np.empty((0, round(2 * REACH_PX / STEP_PX) + 1))
    at, normal = np.concatenate(spots), away_from_ink(np.concatenate(ways))
    out = np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)
    places = at[:, None] + normal[:, None] * out[None, :, None]
    return read_between(np.pad(values, 1), places + 1)


def _blur(profiles: Floats) -> float:
    """Return the standard deviation of the blur in px, 0 where no profile is whole."""
    middle = profiles.shape[1] // 2
    inner, outer = profiles[:, middle::-1], profiles[:, middle:]
    width = _reach(1 - inner) + _reach(outer)
    width = width[np.isfinite(width)]
    if not len(width):
        return 0.0
    spread = float(np.median(width)) * STEP_PX / QUARTILES
    return math.sqrt(max(0.0, spread**2 - RESAMPLED_VAR_PX2))


def _reach(falling: Floats) -> Floats:
    """Return at which place each profile falls to 1/4, by proportion; inf if it never empties."""
    below = falling <= 0.25
    first = below.argmax(axis=1)
    rows = np.arange(len(falling))
    before = np.maximum(first - 1, 0)
    high, low = falling[rows, before], falling[rows, first]
    share = (high - 0.25) / np.where(high > low, high - low, 1.0)
    usable = below.any(axis=1) & (first > 0) & (falling.min(axis=1) < 0.05)
    return np.where(usable, before + share, np.inf)


def _ringing(profiles: Floats, blur_px: float) -> float:
    """Return the spread of coverage about empty and full in the flats beside the edge."""
    middle = profiles.shape[1] // 2
    out = np.abs(np.arange(profiles.shape[1]) - middle) * STEP_PX
    off = np.abs(profiles - np.round(profiles))
    # a place counts as flat when it and its neighbours a pixel away are nearly empty or full
    pixel = round(1 / STEP_PX)
    near = np.pad(off, ((0, 0), (pixel, pixel)), mode="edge")
    calm = (np.maximum(near[:, : -2 * pixel], near[:, 2 * pixel :]) < 0.25) & (off < 0.25)
    flat = off[calm & (out >= FLAT_FROM_PX + 3 * blur_px)]
    if not len(flat) or np.mean(flat > 1 / 255) < 0.1:
        return 0.0
    return float(np.sqrt(np.mean(flat**2)))
