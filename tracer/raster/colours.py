"""Colours: those that are ink, and each a level of its own."""

import itertools

import numpy as np
from numpy.typing import NDArray
from PIL import ImageColor

from tracer.bounds import LEVELS
from tracer.errors import InputError, UsageError
from tracer.raster.pixels import Samples
from tracer.raster.scalar import FloatImage, ground_colour, strips

Palette = NDArray[np.float32]
"""(K, 3), sRGB 0..255; the first is the ground."""

_SAME_COLOUR = 10.0
"""Distance in Lab within which flat pixels are of one colour; just seen is about 2."""
_LIKE = 60.0
"""Distance in Lab up to which a colour asked for stands for one of the picture: "navy" for any
dark blue. A judgement."""

_FLAT = 24
_MIXED_PX = 3
"""An edge mixes only colours that lie as near as this."""
_RINGING_PX = 8
"""As far as an edge rings: the side of a block of JPEG (ITU-T T.81, A.1.1)."""
_LUMA_AND_COLOUR = np.array(
    [[0.299, 0.587, 0.114], [-0.1687, -0.3313, 0.5], [0.5, -0.4187, -0.0813]], np.float32
)
"""Y, Cb and Cr of R, G and B (ITU-T T.871, 7)."""
_COLOUR_SAYS = 0.5
"""Weight of Cb and Cr against Y where an edge is unmixed. JPEG stores them coarser, most often at
half the resolution. In a mixture of two all three say the same; less weight would mistake one of
three, where a renderer lets the ground through between neighbours. By trial."""
_WEIGHTED = np.array([[1], [_COLOUR_SAYS], [_COLOUR_SAYS]], np.float32) * _LUMA_AND_COLOUR
_MOSTLY_BRIGHTNESS = _WEIGHTED.T @ _WEIGHTED
_LEAST_SHARE = 0.002
_MOST_CLUSTERS = 24


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
    flat = flat_pixels(colour)
    if alpha is not None:
        flat &= alpha > 0.95
    pixels = colour[flat]
    if len(pixels) == 0:
        pixels = colour.reshape(-1, 3)
    step = max(1, len(pixels) // 400_000)
    coarse, inverse, counts = np.unique(
        pixels[::step] >> 3, axis=0, return_inverse=True, return_counts=True
    )
    means = np.stack(
        [np.bincount(inverse.reshape(-1), pixels[::step, i], len(coarse)) for i in range(3)], axis=1
    )
    means = means / counts[:, None]
    order = np.argsort(-counts, kind="stable")
    chosen: list[int] = []
    shares: dict[int, float] = {}
    places = lab(means.astype(np.float32))
    for i in order[:4096].tolist():
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


def flat_pixels(colour: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Return where a pixel is like its eight neighbours."""
    import cv2

    slope = cv2.morphologyEx(colour, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    return np.asarray(slope.max(axis=2) <= _FLAT)


def shares_of(colour: NDArray[np.uint8], palette: Palette) -> NDArray[np.float32]:
    """Return how much of each pixel is of each colour, (K, H, W); they add up to 1.

    A pixel of an edge is a mixture of the two colours, among those of flat pixels within three
    pixels, that explain it best: a grey edge between black and white is not taken for a sliver of
    grey, unless grey lies there. A flat pixel is of the colour nearest to it; near another colour
    it is mixed with that as well, so that the ringing of JPEG, which is there, can be seen. How
    much of each is told by brightness rather than colour: that is what JPEG keeps.
    """
    rows, columns = colour.shape[:2]
    nearest = np.empty((rows, columns), np.uint8)
    distance = np.empty((rows, columns), np.float32)
    for here in strips(rows, columns * len(palette)):
        part = colour[here].astype(np.float32)
        apart = np.stack([np.linalg.norm(part - c, axis=2) for c in palette])
        nearest[here] = apart.argmin(axis=0)
        distance[here] = apart.min(axis=0)
    sure = flat_pixels(colour) & (distance < 48)
    present, about = (
        [_grown(sure & (nearest == k), reach) for k in range(len(palette))]
        for reach in (_MIXED_PX, _RINGING_PX)
    )
    shares = np.zeros((len(palette), rows, columns), np.float32)
    np.put_along_axis(shares, nearest[None].astype(np.intp), np.float32(1), axis=0)
    edge = np.flatnonzero(~sure | (np.sum(about, axis=0, dtype=np.uint8) > 1))
    pixels = colour.reshape(-1, 3)[edge].astype(np.float32)
    best = np.full(len(edge), np.inf, np.float32)
    flat_shares = shares.reshape(len(palette), -1)
    flat, own = sure.ravel()[edge], nearest.ravel()[edge]
    near = [
        np.where(flat, there.ravel()[edge], here.ravel()[edge])
        for here, there in zip(present, about, strict=True)
    ]
    for i, j in itertools.combinations(range(len(palette)), 2):
        axis = palette[j] - palette[i]
        way = _MOSTLY_BRIGHTNESS @ axis
        part = np.clip((pixels - palette[i]) @ way / float(axis @ way), 0, 1)
        error = np.linalg.norm(pixels - palette[i] - part[:, None] * axis, axis=1)
        better = near[i] & near[j] & (error < best) & (~flat | (own == i) | (own == j))
        best[better] = error[better]
        chosen = edge[better]
        flat_shares[:, chosen] = 0
        flat_shares[i, chosen] = 1 - part[better]
        flat_shares[j, chosen] = part[better]
    return shares


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
    values = shares_of(colour, usable)[chosen].sum(axis=0)
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
    shares = shares_of(colour, usable)
    if alpha is None:
        shares = shares[1:]
    union = np.cumsum(shares[::-1], axis=0)[::-1]
    if alpha is not None:
        union *= alpha
    np.clip(union, 0, 1, out=union)
    return [(colour_name(c), np.ascontiguousarray(v)) for c, v in zip(inks, union, strict=True)]


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
