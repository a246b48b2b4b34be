"""Grey to coverage: paper and ink found, and the grey between them kept as a soft edge."""

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.errors import InputError
from tracer.model import Decision
from tracer.raster.pixels import Samples
from tracer.raster.scalar import FloatImage, Tone, light_of, strips

LEAST_CONTRAST = 0.12
"""Of black to white: below it ink and paper are too alike. A judgement."""

UNEVEN = 0.08
"""Spread of the paper over its brightness from which light counts as uneven. A judgement."""

_MODEL_SIDE = 512
_SLOPE_SHARE = 0.25
_EDGES_WANTED = 60
_ROUGH = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Inked:
    """Coverage with what was found on the way."""

    values: FloatImage  # writable
    decisions: tuple[Decision, ...]
    noisy: bool  # from a scanner or a camera, or packed with loss: specks are not meant
    noise: float = 0.0  # standard deviation on flat paper, of coverage
    neither: float = 0.0  # share of the sheet that is areas neither of paper nor of ink
    by_colour: bool = False  # read from colours, which may differ by little


def stretched(
    tone: Tone, *, dark: bool | None, in_light: bool = False, even: bool = False
) -> Inked:
    """Return the coverage of a picture in black and white, evenly lit or not.

    Even light: one level of paper and one of ink, the commonest on either side of the threshold
    of Otsu (1979) taken over the pixels near edges, so that fine lines on much paper count.
    Uneven light: the picture is first divided by its own paper, see `flattened`.

    Parameters
    ----------
    tone
        Grey levels.
    dark
        Whether ink is the darker; None: the border decides, since paper surrounds a design.
    in_light
        Whether a camera or a scanner made the picture. There the lens mixed light at the edge
        before it was encoded, so half-way is half of the light; a renderer mixes stored values.
        With a blur of 1 px the two lie half a pixel apart.
    even
        Take the light as even, whatever the paper looks like.

    Raises
    ------
    InputError
        E_BLANK for one colour, E_LOWCONTRAST.
    """
    small = _reduced(tone)
    low, high = float(small.min()), float(small.max())
    if high - low < 0.02:
        raise InputError("nothing to trace: one colour", hint="is this the right file?",
                         code="E_BLANK")  # fmt: skip
    edge = _threshold(small)
    ink_dark, said = _polarity(small, edge, dark)
    upright = small if ink_dark else 1 - small
    spread = _paper_spread(upright, edge if ink_dark else 1 - edge)
    if spread > UNEVEN and not even and not _few_levels(tone):
        values, neither = flattened(tone, upright, ink_dark=ink_dark, in_light=in_light)
        text = f"the light is uneven (paper varies by {spread:.0%}): evened out"
        said = (*said, Decision("light", text, "--as-is light"))
        return _finished(values, said, uneven=True, neither=neither)
    levels = tone.levels
    table = np.linspace(0, 1, tone.white + 1, dtype=np.float32)
    paper, ink, cut = _paper_and_ink(levels, tone.white, ink_dark=ink_dark)
    if abs(paper - ink) < LEAST_CONTRAST:
        raise _low_contrast(abs(paper - ink))
    neither = _neither((paper - small) / (paper - ink))
    if in_light:
        ends = light_of(np.array([paper, ink]))
        paper_seen, ink_seen, seen = (
            float(ends[0]),
            float(ends[1]),
            light_of(table.astype(np.float64)),
        )
    else:
        paper_seen, ink_seen, seen = paper, ink, table.astype(np.float64)
    table = np.clip((paper_seen - seen) / (paper_seen - ink_seen), 0, 1).astype(np.float32)
    said = (
        *said,
        Decision(
            "threshold",
            f"paper {paper:.0%}, ink {ink:.0%}; the edge half-way (Otsu's threshold {cut:.0%})",
            "--threshold",
        ),
    )
    return _finished(_looked_up(table, levels), said, uneven=False, neither=neither)


def _neither(coverage: FloatImage) -> float:
    """Return the share of a reduced picture that is areas neither of paper nor of ink.

    `coverage` is not clipped: what is far lighter than paper or darker than ink counts too. Line
    art has other tones only along edges, a band as wide as the blur; an opening by 5 px takes
    those away. In a photograph they fill areas.
    """
    import cv2

    apart = np.minimum(np.abs(coverage), np.abs(coverage - 1))
    odd = np.asarray(apart > 0.22, dtype=np.uint8)
    areas = cv2.morphologyEx(odd, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    return float(areas.mean())


def _few_levels(tone: Tone) -> bool:
    """Tell a drawing in a few flat greys from a picture that was lit."""
    coarse = tone.levels[::2, ::2].ravel() >> (0 if tone.white == 255 else 8)
    counts = np.sort(np.bincount(coarse, minlength=256))[::-1]
    return float(counts[:8].sum()) > 0.9 * float(counts.sum())


def _looked_up(table: FloatImage, levels: Samples) -> FloatImage:
    import cv2

    if levels.dtype == np.uint8:
        return np.asarray(cv2.LUT(levels, table))
    values = np.empty(levels.shape, np.float32)
    for here in strips(*levels.shape):
        np.take(table, levels[here], out=values[here], mode="clip")  # "raise" copies first
    return values


def _finished(
    values: FloatImage, said: tuple[Decision, ...], *, uneven: bool, neither: float
) -> Inked:
    noise = _noise(values)
    return Inked(values, said, uneven or noise > 0.015, noise, neither)


def calmed(inked: Inked) -> Inked:
    """Return the coverage smoothed where its noise would make the edge rough; the array is reused.

    Noise of a tenth moves the edge of a blur of 1 px by a quarter of a pixel.
    """
    import cv2

    if inked.noise < _ROUGH:
        return inked
    sigma = 0.8 if inked.noise < 6 * _ROUGH else 1.4
    cv2.GaussianBlur(inked.values, (0, 0), sigma, dst=inked.values)
    text = f"the paper is rough (noise {inked.noise:.0%}): smoothed over {sigma:g} px"
    said = Decision("noise", text, "--as-is noise")
    return dataclasses.replace(inked, decisions=(*inked.decisions, said))


def _noise(values: FloatImage) -> float:
    """Return the standard deviation of coverage on flat paper, robustly (median of differences).

    Clipping at 0 hides half of it, so pixels of ink and of paper are taken together and only
    those that are not clipped count; fewer than one in twenty of them: a clean picture.
    """
    step = max(1, int((values.size / 400_000) ** 0.5))
    part = values[::step]
    steps = np.abs(np.diff(part, axis=1))
    flat = steps[(part[:, 1:] < 0.35) | (part[:, 1:] > 0.65)]
    if flat.size == 0 or float(np.mean(flat > 1e-4)) < 0.2:
        return 0.0
    # The 60th percentile, since clipping makes a quarter of the steps 0; for normal noise clipped
    # at its centre it is 0.573 sigma (by simulation).
    return float(np.quantile(flat, 0.6) / 0.573)


def _reduced(tone: Tone) -> FloatImage:
    """Return the picture in 0..1 at 512 px or less, each pixel the mean of what it stands for."""
    import cv2

    rows, columns = tone.levels.shape
    scale = min(1.0, _MODEL_SIDE / max(rows, columns))
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    small = np.asarray(cv2.resize(tone.levels, size, interpolation=cv2.INTER_AREA))
    return small.astype(np.float32) / np.float32(tone.white)


def otsu(counts: NDArray[np.float64], places: NDArray[np.float64]) -> float:
    """Return the place at which a histogram falls into its two most different classes.

    Otsu, IEEE Trans. SMC 9 (1979), equation 18; the class below holds the place. Of several as
    good, over levels that do not occur, the first.

    >>> otsu(np.array([5.0, 1.0, 0.0, 0.0, 3.0]), np.arange(5.0))
    1.0
    """
    below, sums = np.cumsum(counts), np.cumsum(counts * places)
    both = below * (below[-1] - below)
    apart = (sums[-1] * below - sums * below[-1]) ** 2
    return float(places[np.divide(apart, both, out=np.zeros_like(both), where=both > 0).argmax()])


def _threshold(grey: FloatImage) -> float:
    """Return the threshold of Otsu over the pixels near edges."""
    chosen = grey[_near_edges(grey)]
    if chosen.size < _EDGES_WANTED or np.ptp(chosen) == 0:
        chosen = grey.ravel()
    counts, ends = np.histogram(chosen, 256)
    return otsu(counts.astype(np.float64), (ends[1:] + ends[:-1]).astype(np.float64) / 2)


def _near_edges(grey: FloatImage) -> NDArray[np.bool_]:
    import cv2

    box = np.ones((3, 3), np.uint8)
    slope = cv2.morphologyEx(grey, cv2.MORPH_GRADIENT, box)
    steep = (slope > _SLOPE_SHARE * float(slope.max())).astype(np.uint8)
    return np.asarray(cv2.dilate(steep, box)) > 0


def _polarity(
    grey: FloatImage,
    edge: float,
    dark: bool | None,  # noqa: FBT001 - None, True and False are three answers
) -> tuple[bool, tuple[Decision, ...]]:
    """Return whether ink is the darker, by the option or by the border."""
    if dark is not None:
        word = "dark" if dark else "light"
        return dark, (Decision("polarity", f"ink is the {word} part, as asked", "--ink"),)
    outer = _light_share(grey, edge, 0)
    inner = _light_share(grey, edge, max(2, min(grey.shape) // 12))
    light = inner if outer < 0.5 < inner and inner > 0.8 else outer  # a scanner's dark frame
    if light >= 0.5:
        return True, (Decision("polarity", "ink is darker than its ground", "--ink light"),)
    text = "ink is lighter than its ground (the border is dark)"
    return False, (Decision("polarity", text, "--ink dark", warning=True, code="W_INVERTED"),)


def _light_share(grey: FloatImage, edge: float, inset: int) -> float:
    inset = min(inset, (min(grey.shape) - 1) // 2)
    part = grey[inset : grey.shape[0] - inset, inset : grey.shape[1] - inset]
    border = np.concatenate([part[0], part[-1], part[:, 0], part[:, -1]])
    return float(np.mean(border > edge))


def _paper_spread(grey: FloatImage, edge: float) -> float:
    """Return how much the paper's brightness varies over the sheet, as a share of it.

    Paper: the brightest tenth of each of 8 x 8 fields that holds pixels above the threshold or
    is flat and not ink; compared are the 5th and 95th percentile of the fields.
    """
    fields = [
        field
        for band in np.array_split(grey, min(8, grey.shape[0]), axis=0)
        for field in np.array_split(band, min(8, grey.shape[1]), axis=1)
    ]
    papers = [
        float(np.median(field[field > edge])) for field in fields if np.mean(field > edge) > 0.3
    ]
    if len(papers) < 4:
        return 0.0
    low, high = np.quantile(papers, [0.04, 0.96])
    return float((high - low) / high) if high > 0 else 0.0


def _paper_and_ink(levels: Samples, white: int, *, ink_dark: bool) -> tuple[float, float, float]:
    """Return the level of paper, of ink and the threshold between, each 0..1."""
    coarse = (levels if white == 255 else levels >> 8).astype(np.uint8, copy=False)
    fine = _histogram(levels, None, white + 1)
    counts = fine.reshape(256, -1).sum(axis=1)
    sums = (fine * np.arange(white + 1)).reshape(256, -1).sum(axis=1)
    near = _histogram(coarse, _edges_of(coarse), 256)
    cut = int(otsu(near if near.sum() >= _EDGES_WANTED else counts, np.arange(256.0)))
    below = np.arange(256) <= cut
    dark, light = _level(counts * below, sums), _level(counts * ~below, sums)
    paper, ink = (light, dark) if ink_dark else (dark, light)
    return paper / white, ink / white, cut / 255


def _level(counts: NDArray[np.float64], sums: NDArray[np.float64]) -> float:
    """Return the mean of the levels around the commonest, so that a single one comes exact.

    `counts` are of bins, 0 outside the class; `sums` are of the levels in each, of both classes.
    Of a class without pixels: 0, black.
    """
    if not counts.any():
        return 0.0
    top = int(np.convolve(counts, [0.05, 0.25, 0.4, 0.25, 0.05], mode="same").argmax())
    window = slice(max(0, top - 3), top + 4)
    inside = counts[window] > 0
    return float(sums[window][inside].sum() / counts[window].sum())


def _histogram(levels: Samples, where: NDArray[np.uint8] | None, bins: int) -> NDArray[np.float64]:
    import cv2

    counts = cv2.calcHist([levels], [0], where, [bins], [0, bins])
    return np.asarray(counts, dtype=np.float64).ravel()


def _edges_of(levels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return 1 where a pixel differs from a neighbour, 0 elsewhere."""
    import cv2

    box = np.ones((3, 3), np.uint8)
    slope = np.asarray(cv2.morphologyEx(levels, cv2.MORPH_GRADIENT, box))
    return (slope > max(1.0, _SLOPE_SHARE * float(slope.max()))).view(np.uint8)


def _low_contrast(contrast: float) -> InputError:
    return InputError(
        f"ink and ground differ by only {contrast:.0%} of black to white",
        hint="scan it darker, or raise the contrast before sending",
        code="E_LOWCONTRAST",
    )


def flattened(
    tone: Tone, small: FloatImage, *, ink_dark: bool, in_light: bool
) -> tuple[FloatImage, float]:
    """Return the coverage of an unevenly lit sheet, 0..1, and `_neither` of it.

    Light multiplies paper and ink alike, so the picture divided by its paper is evenly lit; this
    holds in stored values too, as their transfer curve is close to a power. The paper's
    brightness is a smooth surface: first a cubic polynomial that leans on the brighter side
    (asymmetric least squares), so that large solid ink cannot pull it down, then local means of
    the pixels known to be paper. Ink and threshold are then found as on even light. In the spirit
    of Sauvola and Pietikainen (Pattern Recognition 33, 2000), whose local threshold follows the
    local mean; here the soft edge is kept.
    """
    import cv2

    broad, paper = _paper_surfaces(small)
    rows, columns = tone.levels.shape
    values = np.empty((rows, columns), np.float32)
    ratio = np.empty((rows, columns), np.uint8)
    full = cv2.resize(paper, (columns, rows), interpolation=cv2.INTER_LINEAR)
    for here in strips(rows, columns):
        part = tone.levels[here].astype(np.float32) / np.float32(tone.white)
        values[here] = (part if ink_dark else 1 - part) / full[here]
        ratio[here] = np.clip(values[here] * 180, 0, 255)  # paper at 180
    del full
    sheet, ink, _ = _paper_and_ink(ratio, 255, ink_dark=True)
    del ratio
    sheet, ink = sheet * 255 / 180, ink * 255 / 180
    if sheet - ink < LEAST_CONTRAST:
        raise _low_contrast(sheet - ink)
    neither = _neither((sheet - small / broad) / (sheet - ink))
    np.subtract(sheet, values, out=values)
    values /= sheet - ink
    np.clip(values, 0, 1, out=values)
    if in_light:
        ends = np.array([sheet, ink]) / sheet
        stored = np.interp(np.linspace(0, 1, 256), [0, 1], ends if ink_dark else 1 - ends)
        mixed = light_of(np.clip(stored, 0, 1))
        curve = ((mixed[0] - mixed) / (mixed[0] - mixed[-1])).astype(np.float32)
        for here in strips(rows, columns):
            np.take(curve, np.rint(values[here] * 255).astype(np.uint8), out=values[here])
    return values, neither


def _paper_surfaces(small: FloatImage) -> tuple[FloatImage, FloatImage]:
    """Return the brightness of the paper at each place of the reduced picture, broad and fine.

    The fine one follows a fold; it would follow a photograph, too, which the broad one gives away.
    """
    rows, columns = small.shape
    y, x = np.mgrid[:rows, :columns].astype(np.float64)
    x, y = 2 * x / max(columns - 1, 1) - 1, 2 * y / max(rows - 1, 1) - 1
    terms = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], axis=-1)
    bright, paper = _cubics(small, terms)
    broad, found = (_followed(_followed(c, small, 0.03, 0.02), small, 0.03, 0.02)
                    for c in (bright, paper))  # fmt: skip
    return broad, _followed(found, small, 0.01, 0.1)


def _followed(surface: FloatImage, small: FloatImage, reach: float, doubt: float) -> FloatImage:
    """Return a surface brought nearer to the paper by local means of `reach` times the side.

    Far from any paper, by `doubt`, what was known before decides alone.
    """
    import cv2

    paper, blur = _paper_of(small, surface).astype(np.float32), reach * max(small.shape)
    weight = cv2.GaussianBlur(paper, (0, 0), blur)
    local = cv2.GaussianBlur(small / surface * paper, (0, 0), blur)
    return np.asarray(np.maximum(surface * (local + doubt) / (weight + doubt), np.float32(0.02)))


def _paper_of(small: FloatImage, surface: FloatImage) -> NDArray[np.bool_]:
    """Tell where a picture is paper of that brightness, away from the edges of ink."""
    import cv2

    ratio = small / surface
    ink = cv2.dilate((ratio < _threshold(ratio)).astype(np.uint8), np.ones((5, 5), np.uint8))
    return np.asarray(ink == 0)


def _cubics(small: FloatImage, terms: NDArray[np.float64]) -> tuple[FloatImage, FloatImage]:
    """Return a cubic surface along the bright side of a picture, and one through its paper.

    The first by asymmetric least squares after Eilers and Boelens (2005), with two variables:
    pixels below the surface weigh a fiftieth of those above it. Much dark ink still pulls it down,
    and up elsewhere. So the second goes by what proves to be paper, and where there is none by the
    first, for a fiftieth.
    """
    step = max(1, max(small.shape) // 64)
    some, seen = terms[::step, ::step].reshape(-1, 10), small[::step, ::step].ravel()
    weights: NDArray[np.float64] = np.ones(len(seen))
    for _ in range(30):
        weights = np.where(seen >= some @ _solved(some, seen, weights), 1.0, 0.02)
    solution = _solved(some, seen, weights)
    bright = surface = _surface(terms, solution)
    for _ in range(2):
        paper = _paper_of(small, surface)[::step, ::step].ravel()
        wanted = np.where(paper, seen, some @ solution)
        solution = _solved(some, wanted, np.where(paper, 1.0, 0.02))
        surface = _surface(terms, solution)
    return bright, surface


def _solved(
    terms: NDArray[np.float64], values: NDArray[np.floating], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the coefficients of weighted least squares.

    With a tiny ridge: a picture of one row has no slope across it.
    """
    weighted = terms * weights[:, None]
    ridge = 1e-6 * len(values) * np.eye(terms.shape[1])
    return np.asarray(np.linalg.solve(weighted.T @ terms + ridge, weighted.T @ values))


def _surface(terms: NDArray[np.float64], solution: NDArray[np.float64]) -> FloatImage:
    return np.maximum(terms @ solution, 0.02).astype(np.float32)
