"""What a coverage may turn out to be: a photograph, a halftone, noise, specks, too small."""

import numpy as np
from numpy.typing import NDArray

from tracer.errors import InputError
from tracer.model import Decision
from tracer.raster.paper import Inked
from tracer.raster.scalar import FloatImage

LEAST_SIDE = 3
"""Ink narrower than this many pixels both ways is no design."""

LOW_RESOLUTION = 128
"""Longest side of the ink in pixels below which a warning is given. At 50 mm it is 0.4 mm a pixel,
half of the finest line that pewter in silicone holds; a judgement."""

SPECK_SHARE = 400
"""Specks are below (longest side of the ink / this) squared: 0.125 mm on a piece of 50 mm, far
below the least island of any process."""

PHOTO_SHARE = 0.03
"""Share of areas neither of paper nor of ink from which a picture is no line art. Found by trial:
photographs of things that scikit-image ships have 0.035 to 0.3, its scans of print, writing and
coins up to 0.02, drawn icons photographed on uneven paper up to 0.005."""

LEAST_SPECK = 6.0
"""Pixels; the grain of paper makes specks of up to this size at any resolution. A judgement."""

_BUSY = 0.05
_MANY_DOTS = 1500
_FEWEST_DOTS = 300
_SOFT_SHARE = 0.25


def check_picture(inked: Inked) -> None:
    """Refuse a photograph.

    Raises
    ------
    InputError
        E_NOTART.
    """
    if inked.neither > PHOTO_SHARE:
        raise InputError(
            f"looks like a photograph: {inked.neither:.0%} of it is neither ink nor ground",
            hint="ask for the line art; or pass --ink dark to trace its dark parts all the same",
            code="E_NOTART",
        )


def check_screen(ink: NDArray[np.bool_], most: int) -> None:
    """Refuse a screen of dots and noise: more than `most` pieces of ink or of ground.

    Only a picture whose pixels change from one to the next at one in twenty is looked at closely.

    Raises
    ------
    InputError
        E_TOOCOMPLEX.
    """
    if np.count_nonzero(ink[:, 1:] != ink[:, :-1]) < _BUSY * ink.size:
        return
    sides = [_Pieces(mask.view(np.uint8), 4).areas for mask in (ink, ~ink)]
    for areas in sides:
        _check_count(areas, ink.size, most)
    # coarse, or from light to dark: dots on one part of the sheet, holes on the other
    dots = [areas[areas < 4 * np.median(areas)] for areas in sides if len(areas)]
    count, share = sum(map(len, dots)), sum(float(a.sum()) for a in dots) / ink.size
    if min(map(len, dots)) >= _FEWEST_DOTS and count >= _MANY_DOTS and share > _BUSY:
        raise _screened(count)


def dropped_specks(inked: Inked, most: int) -> tuple[FloatImage, int, tuple[Decision, ...]]:
    """Return the coverage without what is too small to be meant, and how much that was.

    Only where the picture came from a scanner, a camera or a lossy file: in a clean drawing a
    single pixel may be meant, and the rules of the process deal with it. Pinholes in ink count as
    specks do. Pieces are 4-connected and openings 8-connected, so that two regions that touch at a
    corner are apart.

    Raises
    ------
    InputError
        E_TOOCOMPLEX: more than `most` pieces; a halftone and a dither are named.
    """
    values = inked.values
    mask = np.greater_equal(values, 0.5).view(np.uint8)
    if not inked.noisy and _most_pieces(mask) <= min(_FEWEST_DOTS - 1, most):
        return values, 0, ()
    pieces = _Pieces(mask, 4)
    if not inked.noisy:
        _check_count(pieces.areas, mask.size, most)
        return values, 0, _like_a_screen(pieces.areas)
    least = max(LEAST_SPECK, (pieces.longest_side / SPECK_SHARE) ** 2)
    _overwrite(values, mask, pieces, pieces.areas < least, 0)
    _check_count(pieces.areas[pieces.areas >= least], mask.size, most)
    dropped = np.count_nonzero(pieces.areas < least)
    said = _like_a_screen(pieces.areas[pieces.areas >= least])
    del pieces  # its labels are the largest array here
    np.subtract(1, mask, out=mask)
    pieces = _Pieces(mask, 8)
    _overwrite(values, mask, pieces, pieces.areas < least, 1)
    dropped += np.count_nonzero(pieces.areas < least)
    if dropped:
        text = f"{dropped:,} specks too small to be meant were dropped"
        said = (Decision("specks", text, "--as-is specks"), *said)
    return values, int(dropped), said


def _most_pieces(mask: NDArray[np.uint8]) -> int:
    """Return a number that the 4-connected pieces do not exceed.

    Each has a run of pixels along a row with none of it above. A tenth of the time of counting
    them.
    """
    ink = mask.view(np.bool_)
    runs = _starts(ink)
    joined = _starts(ink[1:] & ink[:-1]) + ink.shape[1]
    hanging = np.searchsorted(runs, joined, side="right")
    return len(runs) - int(np.count_nonzero(np.diff(hanging, prepend=0)))


def _starts(ink: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the places, counted row by row, where a run of ink along a row begins."""
    first = ink.copy()
    first[:, 1:] &= ~ink[:, :-1]
    return np.flatnonzero(first)


class _Pieces:
    """Connected pieces of a mask: which pixel belongs to which, from 1, and their areas."""

    def __init__(self, mask: NDArray[np.uint8], connectivity: int) -> None:
        import cv2

        _, self.labels, stats, _ = cv2.connectedComponentsWithStats(
            mask, connectivity=connectivity, ltype=cv2.CV_32S
        )
        self.areas = np.asarray(stats[1:, cv2.CC_STAT_AREA], dtype=np.int32)
        sides = stats[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]]
        self.longest_side = int(sides.max(initial=0))


def _overwrite(
    values: FloatImage,
    mask: NDArray[np.uint8],
    pieces: _Pieces,
    small: NDArray[np.bool_],
    filling: int,
) -> None:
    """Fill small pieces and their soft rims, in the values and in the mask.

    A pixel of the rim is one beside a small piece that is not of a larger one.
    """
    import cv2

    if not small.any():
        return
    gone = np.concatenate([[False], small])[pieces.labels].view(np.uint8)
    mask[gone > 0] = 0
    reach = np.asarray(cv2.dilate(gone, np.ones((3, 3), np.uint8)))
    reach[mask > 0] = 0
    values[reach > 0] = filling


def _check_count(areas: NDArray[np.int32], pixels: int, most: int) -> None:
    """Refuse more pieces than can be traced; a screen of dots is named."""
    if _is_screened(areas, pixels):
        raise _screened(len(areas))
    if len(areas) > most:
        text = f"falls into {len(areas):,} pieces, more than {most:,}"
        hint = "is this line art? clean it, or scan it coarser; --max-pieces overrules"
        raise InputError(text, hint=hint, code="E_TOOCOMPLEX")


def _screened(dots: int) -> InputError:
    return InputError(
        f"looks like a halftone or a dither: {dots:,} dots",
        hint="ask for the line art, or blur the picture and raise its contrast before sending",
        code="E_TOOCOMPLEX",
    )


def _like_a_screen(areas: NDArray[np.int32]) -> tuple[Decision, ...]:
    """Warn where hundreds of dots, all alike, make up half of the ink: a tone, or meant."""
    if len(areas) < _FEWEST_DOTS:
        return ()
    alike = areas[areas < 4 * float(np.median(areas))]
    if alike.sum() < 0.5 * areas.sum():
        return ()
    text = (
        f"{len(alike):,} dots, all alike, make up much of the ink: if they stand for a tone (a "
        "halftone), ask for the line art"
    )
    return (Decision("screen", text, warning=True, code="W_SCREEN"),)


def _is_screened(areas: NDArray[np.int32], pixels: int) -> bool:
    """Tell a screen of dots: very many, small, alike, and together most of the ink."""
    if len(areas) < _MANY_DOTS:
        return False
    typical = float(np.median(areas))
    alike = float(areas[areas < 4 * typical].sum() / areas.sum())
    return typical < pixels / 4000 and alike > 0.4


def about_ink(values: FloatImage, *, soft_possible: bool) -> tuple[Decision, ...]:
    """Return warnings about the place and the kind of the ink.

    Raises
    ------
    InputError
        E_BLANK, E_TOOSMALL.
    """
    ink = values >= 0.5
    across, down = np.flatnonzero(ink.any(axis=0)), np.flatnonzero(ink.any(axis=1))
    if len(across) == 0:
        strongest = float(values.max()) if values.size else 0.0
        raise InputError(
            "nothing to trace" + (f": at most {strongest:.0%} covered" if strongest else ""),
            hint="pass a lower --threshold" if strongest > 0.05 else "is this the right file?",
            code="E_BLANK",
        )
    width, height = int(np.ptp(across)) + 1, int(np.ptp(down)) + 1
    if max(width, height) < LEAST_SIDE:
        raise InputError(
            f"too small to trace: the ink is {width} × {height} pixels",
            hint="export it larger, 1000 px or more", code="E_TOOSMALL",
        )  # fmt: skip
    if ink.all():
        raise InputError(
            "nothing to trace: all of it is ink", hint="is the ground missing?", code="E_BLANK"
        )
    said: list[Decision] = []
    if max(width, height) < LOW_RESOLUTION:
        text = f"the ink is only {width} × {height} pixels; 1000 or more are wanted"
        said.append(Decision("resolution", text, warning=True, code="W_LOWRES"))
    said.extend(_touching(ink))
    if soft_possible:
        said.extend(_softness(values, ink))
    return tuple(said)


def _touching(ink: NDArray[np.bool_]) -> tuple[Decision, ...]:
    sides = {"top": ink[0], "bottom": ink[-1], "left": ink[:, 0], "right": ink[:, -1]}
    touched = [name for name, row in sides.items() if row.any()]
    if not touched:
        return ()
    text = (
        f"the ink touches the edge of the picture ({', '.join(touched)}): if it was cut off there, "
        "ask for the whole of it"
    )
    return (Decision("crop", text, warning=True, code="W_CROPPED"),)


def _softness(values: FloatImage, ink: NDArray[np.bool_]) -> tuple[Decision, ...]:
    """Warn of shadows, glows and gradients: wide areas that are only partly covered.

    A pixel along a sharp edge is partly covered too, so they are compared with the outline.
    """
    import cv2

    partly = int(np.count_nonzero((values > 0.1) & (values < 0.9)))
    if partly < _SOFT_SHARE * 0.2 * np.count_nonzero(ink):
        return ()
    box = np.ones((3, 3), np.uint8)
    outline = int(np.count_nonzero(cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_GRADIENT, box)))
    if partly < 3 * outline:
        return ()
    text = (
        "soft parts or edges (a shadow, a glow, a gradient, a blur, a small picture enlarged): the "
        "edge was taken where half is covered"
    )
    return (Decision("soft", text, "--threshold", warning=True, code="W_SOFT"),)
