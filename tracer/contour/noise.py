"""How well the edge of an artwork is known."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tracer.contour.area import Floats, away_from_ink, read_between, resampled, with_room
from tracer.contour.enlarged import reduced
from tracer.contour.extract import extract_rings
from tracer.model import Coverage, Edge, EdgeNoise, Points

PROFILES = 600
"""Edge profiles looked at, spread evenly over all rings."""
STEP_PX = 0.25
REACH_PX = 8.0
FAR_PX = 16.0
"""As far as profiles go: the flats beside an edge begin the further off the more it is blurred."""
PURE = 0.2
"""A value this near to 0 or 1 is taken for a pixel without a share of grey ..."""
PUREST = 0.06
"""... if a quarter of the steps is as near as this. JPEG of quality 60 leaves a quarter of those of
a bitmap within .04; edges at 45 degrees can leave .12 to .18 in each pixel."""
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
CALM = 0.15
RINGING_FROM = 0.04
"""Share of the flats that is neither empty nor full, above which they ring. Sharp artwork has
next to none, JPEG of quality 85 a quarter, less where level sides fall on its blocks."""
ON_BOTH_SIDES = 0.01
"""The same share of the ink's flats and of the empty ones, each: a shadow lies on one side."""
STAIRS_SIGMA_PX = 1 / math.sqrt(12)
"""Spread of the true edge in the pixel that a staircase rounds it to."""
FINE_SIGMA_PX = 0.03
"""Spread of an edge whose coverage is the area to 8 bits; corners and curves leave it, by trial."""
GRIDS = (2, 3, 4, 5, 6)
"""Grids of n x n samples a pixel that renderers count coverage on; finer ones pass for area."""
USUAL_GRID = 4
ON_GRID_FROM = 0.97
OFF_GRID = 2.5
"""Steps of 1/255 that a share read from two colours may lie beside the grid it was counted on: the
mixture was rounded to 8 bits as well, of which the colours span only a part."""
FEWEST_GREYS = 6
TOLERANCE_PER_SIGMA = 2.9
"""Fitted on drawn icons: the least tolerance at which the segments of the designer come back."""
RINGING_TOLERANCE_PER_SIGMA = 2.3
"""Evenness has taken a part of the ringing out of the rings that are fitted; by trial as well."""
WAVES_PX = 17
"""Length of edge that a cubic is laid through to see the waves about it; a block of JPEG is 8."""
SIGMA_PER_WAVE = 4.0
"""The cubic follows longer waves, and evenness has taken a part; by trial on coloured icons."""
LARGE_FROM_PX = {Edge.STAIRS: 512, Edge.SOFT: 1024, Edge.RINGING: 1024, Edge.SHARP: 1024}
"""Drawings larger than this get a tolerance that grows as the square root of their size. What
pixels leave of a slowly turning edge comes in runs, the longer the larger the drawing, and a fit
within one tolerance at every size follows each run: at 4096 px half as many segments again as the
designer drew, three times as many as at 512. By trial at 1024, 2048 and 4096 px; from 512 on
distances would suffer but on staircases."""
FINE_TOLERANCE_PX = 0.1
STAIRS_TOLERANCE_PX = 0.5


def edge_noise(coverage: Coverage, rings: tuple[Points, ...]) -> EdgeNoise:
    """Measure the edge noise of a coverage along its contours.

    One verdict for the artwork, from the majority of its edge:

    * *staircase* when the pixels at the steps of the line are empty or full, without a share;
    * *soft* when the distance between the levels 1/4 and 3/4 is that of a blurred edge;
    * *ringing* when pixels away from any edge are neither empty nor full;
    * *sharp* otherwise.

    In a small bitmap that was enlarged the true pixels are judged, and lengths grow with them.

    Not promised: the exact blur of artwork whose strokes are thinner than the blur; only profiles
    that reach from full to empty are measured.

    Parameters
    ----------
    coverage
        What the rings were extracted from.
    rings
        Level lines as `extract_rings` returns them, before refinement.
    """
    small, wide = reduced(coverage)
    if wide > 1:
        found = edge_noise(small, extract_rings(small))
        sizes = (found.sigma_px, found.blur_px, found.tolerance_px)
        return EdgeNoise(found.kind, *(size * wide for size in sizes))
    if not rings:
        return _noise(Edge.SHARP, FINE_SIGMA_PX)
    if _is_staircase(coverage.values, rings):
        return _noise(Edge.STAIRS, STAIRS_SIGMA_PX)
    profiles = _profiles(coverage.values, rings)
    blur = _blur(profiles)
    rings_out, ringing = _ringing(profiles, blur)
    if blur >= SOFT_FROM_PX:
        return _noise(Edge.SOFT, _grid_sigma(USUAL_GRID) + ringing * blur, blur)
    if rings_out:
        # a coverage off by r moves a sharp edge by r px
        return _noise(Edge.RINGING, _grid_sigma(USUAL_GRID) + ringing)
    grid = _sample_grid(coverage.values, rings)
    return _noise(Edge.SHARP, _grid_sigma(grid) if grid else FINE_SIGMA_PX)


def at_size(noise: EdgeNoise, rings: tuple[Points, ...], pixel_size: float = 1.0) -> EdgeNoise:
    """Return the noise with the fit tolerance for a drawing of the size of the rings.

    That of large drawings is larger (`LARGE_FROM_PX`); in parts of the drawing it stays smaller
    than at any lower resolution. Coverage that is the area to 8 bits has no runs: it stays as it
    is, and so do small drawings.

    Parameters
    ----------
    noise
        As measured, whatever the size.
    rings
        Of the whole drawing, px of the artwork.
    pixel_size
        Of the artwork's true pixels, in its own: more than 1 where it was enlarged.
    """
    if noise.kind is Edge.SHARP and noise.sigma_px <= FINE_SIGMA_PX:
        return noise
    extent = max((float(np.ptp(ring, axis=0).max()) for ring in rings), default=0.0) / pixel_size
    times = math.sqrt(max(1.0, extent / LARGE_FROM_PX[noise.kind]))
    return replace(noise, tolerance_px=noise.tolerance_px * times)


def flat_noise(noise: EdgeNoise) -> float:
    """Return how much coverage is off where it should be flat, as far as `noise` holds it.

    That is for soft and ringing artwork only; 0 for other kinds.
    """
    if noise.kind not in (Edge.SOFT, Edge.RINGING):
        return 0.0
    return max(0.0, noise.sigma_px - _grid_sigma(USUAL_GRID)) / (noise.blur_px or 1.0)


def noise_with_waves(noise: EdgeNoise, rings: tuple[Points, ...], coverage: Coverage) -> EdgeNoise:
    """Return the noise that goes with how wavy refined rings are, where that is the larger.

    Between colours that are near to each other compression moves an edge by more than between
    black and white, and the flats do not show it: what lies beyond either colour is cut off.

    Only ringing and soft edges between colours are judged, and rings of more than three times
    `WAVES_PX`. Brightness has its noise from the flats; refined so, photographs lost the points of
    notches, and with them the verdict of up to one in five.

    Parameters
    ----------
    noise
        What `edge_noise` returned.
    rings
        What `refine_rings` made of it, in px.
    coverage
        What both were made of.

    Notes
    -----
    The waves are what smoothing by local cubics takes away (A. Savitzky and M. J. E. Golay,
    Analytical Chemistry 36, 1964); their median, so that corners do not count.
    """
    if noise.kind not in (Edge.SOFT, Edge.RINGING) or not coverage.by_colour:
        return noise
    wide = coverage.pixel_size
    off = np.concatenate([np.empty(0), *(waves_of(ring / wide) for ring in rings)])
    wave = float(np.median(off)) * 2 / QUARTILES if len(off) else 0.0
    sigma = SIGMA_PER_WAVE * wave * wide
    if sigma <= noise.sigma_px:
        return noise
    return _noise(noise.kind, sigma, noise.blur_px)


def waves_of(ring: Points) -> Floats:
    """Return how far points 1 px apart lie off the cubic through their neighbours, across it."""
    points, _ = resampled(ring, 1.0)
    if len(points) <= 3 * WAVES_PX:
        return np.empty(0)
    reach = WAVES_PX // 2
    weights = np.linalg.pinv(np.vander(np.arange(-reach, reach + 1), 4))[-1]
    around = np.concatenate([points[-reach:], points, points[:reach]])
    calm = np.column_stack([np.convolve(axis, weights, "valid") for axis in around.T])
    across = away_from_ink(np.roll(calm, -1, axis=0) - np.roll(calm, 1, axis=0))
    return np.asarray(np.abs(np.sum((points - calm) * across, axis=1)))


def _noise(kind: Edge, sigma_px: float, blur_px: float = 0.0) -> EdgeNoise:
    slope = RINGING_TOLERANCE_PER_SIGMA if kind is Edge.RINGING else TOLERANCE_PER_SIGMA
    tolerance = FINE_TOLERANCE_PX + slope * (sigma_px - FINE_SIGMA_PX)
    return EdgeNoise(kind, sigma_px, blur_px, min(tolerance, STAIRS_TOLERANCE_PX))


def _grid_sigma(samples: int) -> float:
    """Return the spread of an edge that is rounded to one of `samples` places in a pixel."""
    return 1 / (samples * math.sqrt(12))


def _sample_grid(values: NDArray[np.float32], rings: tuple[Points, ...]) -> int:
    """Return n when coverage was counted on n x n samples a pixel, 0 when it is an area.

    A renderer that samples on a grid puts an upright or level edge off by up to half a sample.
    """
    rows, columns = values.shape
    at = np.floor(np.concatenate(rings)).astype(int)
    at = np.clip(at, 0, (columns - 1, rows - 1))  # a ring may lie on the border itself
    grey = values[at[:, 1], at[:, 0]] * 255
    grey = grey[(grey > 0.5) & (grey < 254.5)]
    if len(np.unique(np.round(grey))) < FEWEST_GREYS:
        return 0
    for n in GRIDS:
        step = 255 / n**2
        near = min(step / 7, OFF_GRID)
        if np.mean(np.abs(grey - step * np.round(grey / step)) <= near) >= ON_GRID_FROM:
            return n
    return 0


def _is_staircase(values: NDArray[np.float32], rings: tuple[Points, ...]) -> bool:
    """Tell whether the pixels at the steps of the line are empty or full.

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
    seen, added = with_room(values, rings, 1)
    cells = np.concatenate(shares) + added
    if not len(cells):
        return False
    around = [seen[cells[:, 1] + y, cells[:, 0] + x] for y in (0, 1) for x in (0, 1)]
    grey = np.max([np.minimum(value, 1 - value) for value in around], axis=0)
    return bool(np.mean(grey <= PURE) >= STAIRS_FROM and np.quantile(grey, 0.25) <= PUREST)


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
        return np.empty((0, round(2 * FAR_PX / STEP_PX) + 1))
    at, normal = np.concatenate(spots), away_from_ink(np.concatenate(ways))
    out = np.arange(-FAR_PX, FAR_PX + STEP_PX / 2, STEP_PX)
    places = at[:, None] + normal[:, None] * out[None, :, None]
    seen, added = with_room(values, rings, 1)
    return read_between(seen, places + added)


def _blur(profiles: Floats) -> float:
    """Return the standard deviation of the blur in px, 0 where no profile is whole."""
    middle, end = profiles.shape[1] // 2, round(REACH_PX / STEP_PX)
    inwards, outwards = profiles[:, middle::-1], profiles[:, middle:]
    inner, outer = _reach(1 - inwards[:, : end + 1]), _reach(outwards[:, : end + 1])
    # in strokes and gaps too thin to fill, the other half of the profile speaks for both
    width = np.where(
        np.isinf(inner), 2 * outer, np.where(np.isinf(outer), 2 * inner, inner + outer)
    )
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


def _ringing(profiles: Floats, blur_px: float) -> tuple[bool, float]:
    """Tell whether the flats on both sides of the edge are uneven, and return how much."""
    middle = profiles.shape[1] // 2
    out = np.abs(np.arange(profiles.shape[1]) - middle) * STEP_PX
    off = np.abs(profiles - np.round(profiles))
    # a place belongs to a flat when it and the places a pixel away are nearly empty or full
    pixel = round(1 / STEP_PX)
    near = np.pad(off, ((0, 0), (pixel, pixel)), mode="edge")
    calm = np.maximum(np.maximum(near[:, : -2 * pixel], near[:, 2 * pixel :]), off) < CALM
    start = min(3 * blur_px, FAR_PX - REACH_PX)
    flat = calm & (out >= start + FLAT_FROM_PX) & (out <= start + REACH_PX)
    if not flat.any():
        return False, 0.0
    uneven, full = off > 0.5 / 255, profiles > 0.5
    shares = [float(uneven[side].mean()) for side in (flat & full, flat & ~full) if side.any()]
    rings = float(uneven[flat].mean()) >= RINGING_FROM and min(shares) >= ON_BOTH_SIDES
    return rings, float(np.sqrt(np.mean(off[flat] ** 2)))
