"""Colours: those that are ink, and each a level of its own."""

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import ImageColor

from tracer.bounds import LEVELS
from tracer.errors import InputError, UsageError
from tracer.raster.pixels import Samples
from tracer.raster.scalar import MOSTLY_BRIGHTNESS, WEIGHTED, FloatImage, ground_colour, strips

Palette = NDArray[np.float32]
"""(K, 3), sRGB 0..255; the first is the ground."""

_SAME_COLOUR = 10.0
"""Distance in Lab within which flat pixels are of one colour; just seen is about 2."""
_LIKE = 60.0
"""Distance in Lab up to which a colour asked for stands for one of the picture: "navy" for any
dark blue. A judgement."""

_FLAT = 24
_CLOSE = 48
"""Distance in sRGB from the nearest colour up to which a flat pixel is of that colour."""
_OPAQUE = 0.95
_FLAT_SAMPLE = 400_000
_MIXED_PX = 3
"""An edge mixes only colours that lie as near as this."""
_RINGING_PX = 8
"""As far as an edge rings: the side of a block of JPEG (ITU-T T.81, A.1.1)."""
_LEAST_SHARE = 0.002
_MOST_CLUSTERS = 24
_MOST_COLOURS = 4096


def asked_colours(text: str) -> Palette:
    """Read colours such as ``navy`` or ``#c00,#222``; names are those of CSS.

    Raises
    ------
    UsageError
        E_SETTING.
    """
    found = []
    for part in text.split(","):
        try:
            found.append(ImageColor.getrgb(part.strip())[:3])
        except ValueError as error:
            raise UsageError(
                f'"{part.strip()[:40]}" is no colour',
                hint="write it like navy or #c00, several with commas", subject="--ink",
            ) from error  # fmt: skip
    return np.array(found, dtype=np.float32)


def as_rgb(colour: Samples) -> NDArray[np.uint8]:
    """Return any colour as (H, W, 3) of 8 bits."""
    eight = colour if colour.dtype == np.uint8 else colour >> 8
    levels = np.asarray(eight, dtype=np.uint8)
    return levels if levels.ndim == 3 else np.repeat(levels[..., None], 3, axis=2)


def lab(colours: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return CIE L*a*b* (D65) of sRGB 0..255, (..., 3)."""
    from skimage.color import rgb2lab

    return np.asarray(rgb2lab(np.asarray(colours, dtype=np.float64) / 255))


def palette_of(colour: NDArray[np.uint8], alpha: FloatImage | None) -> Palette:
    """Return the flat colours of a picture, the ground first, then from near it to far from it.

    Flat: equal to their neighbours within a little, so that the mixed colours of edges are not
    taken for colours of the design. Flat pixels are gathered from the commonest colour on: one
    within 10 of a colour already found in L*a*b* joins it. Colours below 0.2 % of the flat pixels
    are left out. With alpha the ground is what is transparent, and takes no place here: the first
    row is then NaN.
    """
    means, counts = _commonest(_flat_sample(colour, alpha))
    chosen: list[int] = []
    shares: dict[int, float] = {}
    places = lab(means.astype(np.float32))
    for i in range(min(len(means), _MOST_COLOURS)):
        near = [k for k in chosen if np.linalg.norm(places[i] - places[k]) < _SAME_COLOUR]
        if near:
            shares[near[0]] += float(counts[i])
        elif len(chosen) < _MOST_CLUSTERS:
            chosen.append(i)
            shares[i] = float(counts[i])
    total = float(counts.sum())
    kept = [i for i in chosen if shares[i] >= _LEAST_SHARE * total]
    colours = means[kept].astype(np.float32)
    if alpha is not None:
        ground, start = np.full(3, np.nan, np.float32), np.full(3, 255, np.float32)
    else:
        ground = ground_colour(colour)
        start = ground
        apart = np.linalg.norm(lab(colours) - lab(ground), axis=1) >= _SAME_COLOUR
        colours = colours[apart]
    away = np.linalg.norm(lab(colours) - lab(start), axis=1)
    return np.vstack([ground, colours[np.argsort(away, kind="stable")]])


def _flat_sample(colour: NDArray[np.uint8], alpha: FloatImage | None) -> NDArray[np.uint8]:
    """Return some 400,000 of the flat pixels, evenly spread, (N, 3); of any where none is flat."""
    flat = flat_pixels(colour)
    if alpha is not None:
        np.logical_and(flat, alpha > _OPAQUE, out=flat)
    count = int(np.count_nonzero(flat))
    if count == 0:
        return colour.reshape(-1, 3)[:: max(1, flat.size // _FLAT_SAMPLE)]
    step, seen, found = max(1, count // _FLAT_SAMPLE), 0, []
    for here in strips(*flat.shape):
        at = np.flatnonzero(flat[here])
        found.append(colour[here].reshape(-1, 3)[at[-seen % step :: step]])
        seen += len(at)
    return np.concatenate(found)


def _commonest(pixels: NDArray[np.uint8]) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Return the mean colours of cells of 8 levels a side and their counts, the fullest first."""
    red, green, blue = (pixels >> 3).astype(np.intp).T
    cell = (red << 10) + (green << 5) + blue
    counts = np.bincount(cell, minlength=1 << 15)
    sums = [np.bincount(cell, pixels[:, i], 1 << 15) for i in range(3)]
    full = np.flatnonzero(counts)
    order = full[np.argsort(-counts[full], kind="stable")]
    return np.stack(sums, axis=1)[order] / counts[order, None], counts[order]


def flat_pixels(colour: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return where a pixel is like its eight neighbours."""
    import cv2

    slope = cv2.morphologyEx(colour, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    return np.asarray(cv2.inRange(slope, (0, 0, 0), (_FLAT, _FLAT, _FLAT))).astype(np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Unmixed:
    """Of which colours of a palette each pixel is; those of an edge are mixtures of two."""

    nearest: NDArray[np.uint8]  # (H, W), index of the colour
    edge: NDArray[np.int64]  # (E,), which pixels are mixtures, in reading order
    one: NDArray[np.uint8]  # (E,)
    other: NDArray[np.uint8]  # (E,)
    part: NDArray[np.float32]  # (E,), how much of the other colour, 0 to 1

    def share_of(self, members: Iterable[int]) -> FloatImage:
        """Return how much of each pixel is of any of the colours, (H, W), 0 to 1."""
        import cv2

        counts = np.zeros(256, np.float32)
        counts[list(members)] = 1
        share = np.asarray(cv2.LUT(self.nearest, counts), np.float32)
        mixed = counts[self.one] * (1 - self.part) + counts[self.other] * self.part
        share.ravel()[self.edge] = mixed
        return share


def unmixed(colour: NDArray[np.uint8], palette: Palette) -> Unmixed:
    """Return of which colours each pixel is.

    A pixel of an edge is a mixture of the two colours, among those of flat pixels within three
    pixels, that explain it best: a grey edge between black and white is not taken for a sliver of
    grey, unless grey lies there. A flat pixel is of the colour nearest to it; near another colour
    it is mixed with that as well, so that the ringing of JPEG, which is there, can be seen. How
    much of each is told by brightness rather than colour: that is what JPEG keeps.

    Memory is bounded: 2 bytes a pixel, and 18 for one of an edge.
    """
    rows, columns = colour.shape[:2]
    sure = flat_pixels(colour)
    nearest = np.empty((rows, columns), np.uint8)
    for here in strips(rows, columns):
        nearest[here], distance = _nearest(colour[here], palette)
        np.logical_and(sure[here], distance < _CLOSE, out=sure[here])
    found = []
    for here in strips(rows, columns):
        top, bottom = max(0, here.start - _RINGING_PX), min(rows, here.stop + _RINGING_PX)
        around, within = slice(top, bottom), slice(here.start - top, here.stop - top)
        edge, one, other, part = _mixtures(
            colour[around], nearest[around], sure[around], palette, within
        )
        found.append((edge + here.start * columns, one, other, part))
    edge, one, other, part = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Unmixed(nearest, edge, one, other, part)


def _nearest(
    colour: NDArray[np.uint8], palette: Palette
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Return which colour of the palette is nearest to each pixel, and how far off it is."""
    red, green, blue = (channel.astype(np.float32) for channel in np.moveaxis(colour, 2, 0))
    nearest = np.zeros(colour.shape[:2], np.uint8)
    least = np.full(colour.shape[:2], np.inf, np.float32)
    for k, (r, g, b) in enumerate(palette):
        square = np.square(red - r)
        square += np.square(green - g)
        square += np.square(blue - b)
        np.copyto(nearest, np.uint8(k), where=square < least)
        np.minimum(least, square, out=least)
    return nearest, np.sqrt(least)


def _mixtures(
    colour: NDArray[np.uint8],
    nearest: NDArray[np.uint8],
    sure: NDArray[np.bool_],
    palette: Palette,
    within: slice,
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint8], NDArray[np.float32]]:
    """Return the edges in the rows `within`: pixel, one colour, the other, how much of that."""
    close = {}
    for k in np.unique(nearest[sure]).tolist():
        here = sure & (nearest == k)
        close[k] = _grown(here, _MIXED_PX)[within], _grown(here, _RINGING_PX)[within]
    flat = sure[within]
    several = np.zeros(flat.shape, np.uint8)
    for _, about in close.values():
        several += about
    edge = np.flatnonzero(~flat | (several > 1))
    own = nearest[within].ravel()[edge]
    steady = flat.ravel()[edge]
    pixels = colour[within].reshape(-1, 3)[edge].astype(np.float32)
    best = np.full(len(edge), np.inf, np.float32)
    one, other, part = own.copy(), own.copy(), np.zeros(len(edge), np.float32)

    def explain(number: int, *, of: NDArray[np.bool_]) -> None:
        """Try each two colours that lie near enough on the pixels `of`."""
        near = {k: masks[number].ravel()[edge] & of for k, masks in close.items()}
        for i, j in itertools.combinations(close, 2):
            tried = np.flatnonzero(near[i] & near[j] & (~steady | (own == i) | (own == j)))
            axis = palette[j] - palette[i]
            way = MOSTLY_BRIGHTNESS @ axis
            off = pixels[tried] - palette[i]
            much = np.clip(off @ way / float(axis @ way), 0, 1)
            error = np.linalg.norm((off - much[:, None] * axis) @ WEIGHTED.T, axis=1)
            better = error < best[tried]
            chosen = tried[better]
            best[chosen] = error[better]
            one[chosen], other[chosen], part[chosen] = i, j, much[better]

    explain(0, of=~steady)
    explain(1, of=steady)
    # where ringing leaves nothing flat that near, a mixture is no third colour that it is like
    open_still = np.isinf(best)
    rest = pixels[open_still] - palette[own[open_still]]
    best[open_still] = np.linalg.norm(rest @ WEIGHTED.T, axis=1)
    explain(1, of=open_still)
    return edge, one, other, part


def _grown(where: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return what lies within `reach` rows and columns of `where`."""
    import cv2

    box = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    return np.asarray(cv2.dilate(where.view(np.uint8), box)).view(np.bool_)


def ink_of_colours(
    colour: NDArray[np.uint8], alpha: FloatImage | None, asked: Palette
) -> tuple[FloatImage, list[str]]:
    """Return the coverage of the palette's colours nearest to those asked for, and their names.

    Raises
    ------
    InputError
        E_BLANK: a colour asked for is nowhere in the picture.
    """
    palette = palette_of(colour, alpha)
    usable = palette if alpha is None else palette[1:]
    if len(usable) == 0:
        raise InputError("nothing to trace: one colour", hint="is this the right file?",
                         code="E_BLANK")  # fmt: skip
    away = np.linalg.norm(lab(usable)[None] - lab(asked)[:, None], axis=2)  # (asked, palette)
    for want, row in zip(asked, away, strict=True):
        if row.min() > _LIKE:
            have = ", ".join(colour_name(c) for c in usable)
            raise InputError(
                f"holds no {colour_name(want)}", hint=f"pass one of {have}", code="E_BLANK"
            )
    chosen = sorted({int(row.argmin()) for row in away})
    values = unmixed(colour, usable).share_of(chosen)
    if alpha is not None:
        values *= alpha
    return values, [colour_name(usable[i]) for i in chosen]


def nested_levels(
    colour: NDArray[np.uint8], alpha: FloatImage | None, wanted: int
) -> list[tuple[str, FloatImage]]:
    """Return name and coverage of each level, from the widest to the innermost.

    The colours are ordered from the one most like the ground (white under transparency) to the
    one least like it, and level k is the union of the k-th colour and all after it. So levels
    are nested, and two that meet have the very same edge there: no sliver and no gap between.

    Raises
    ------
    UsageError
        More than six levels.
    InputError
        E_BLANK: fewer colours than levels.
    """
    if not 2 <= wanted <= LEVELS.value:
        raise UsageError(f"{wanted} levels", hint=f"from 2 to {LEVELS.value}", subject="--levels")
    palette = palette_of(colour, alpha)
    inks = palette[1:]
    if len(inks) < wanted:
        raise InputError(
            f"holds {len(inks)} colours besides the ground, not {wanted}",
            hint="pass fewer --levels", code="E_BLANK",
        )  # fmt: skip
    inks = _merged(inks, wanted)
    usable = inks if alpha is not None else np.vstack([palette[:1], inks])
    pixels = unmixed(colour, usable)
    levels = []
    for number, ink in enumerate(inks, start=len(usable) - len(inks)):
        values = pixels.share_of(range(number, len(usable)))
        if alpha is not None:
            values *= alpha
        levels.append((colour_name(ink), values))
    return levels


def _merged(colours: Palette, wanted: int) -> Palette:
    """Return `wanted` colours: the two most alike become one until that many are left."""
    left = list(colours)
    while len(left) > wanted:
        places = lab(np.array(left))
        pairs = list(itertools.combinations(range(len(left)), 2))
        i, j = min(pairs, key=lambda p: float(np.linalg.norm(places[p[0]] - places[p[1]])))
        left[i] = (left[i] + left.pop(j)) / 2
    return np.array(left, dtype=np.float32)


def colour_name(colour: NDArray[np.float32]) -> str:
    """Return a colour as hex.

    >>> colour_name(np.array([204, 0, 0.2]))
    '#cc0000'
    """
    return "#" + "".join(f"{round(float(c)):02x}" for c in colour)
