"""What a coverage may turn out to be: a photograph, a halftone, noise, specks, too small."""

import numpy as np
from numpy.typing import NDArray

from tracer.bounds import COMPONENTS
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

PHOTO_SHARE = 0.04
"""Share of areas neither of paper nor of ink from which a picture is no line art. Found by trial:
most photographs that scikit-image ships have 0.04 to 0.3, its scans of print and writing up to
0.02."""

_BUSY = 0.05
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


def check_screen(ink: NDArray[np.bool_]) -> None:
    """Refuse a screen of dots and noise: very many pieces of ink or of ground.

    Only a picture whose pixels change from one to the next at one in twenty is looked at closely.

    Raises
    ------
    InputError
        E_TOOCOMPLEX.
    """
    if np.count_nonzero(ink[:, 1:] != ink[:, :-1]) < _BUSY * ink.size:
        return
    for mask in (ink, ~ink):
        pieces = _Pieces(mask.astype(np.uint8), 4)
        _check_count(pieces, pieces.count)


def dropped_specks(inked: Inked) -> tuple[FloatImage, int]:
    """Return the coverage without what is too small to be meant, and how much that was.

    Only where the picture came from a scanner, a camera or a lossy file: in a clean drawing a
    single pixel may be meant, and the rules of the process deal with it. Pinholes in ink count as
    specks do. Pieces are 4-connected and openings 8-connected, so that two regions that touch at a
    corner are apart.

    Raises
    ------
    InputError
        E_TOOCOMPLEX: more pieces than can be traced; a halftone and a dither are named.
    """
    ink = (inked.values >= 0.5).astype(np.uint8)
    values = inked.values
    pieces = _Pieces(ink, 4)
    if inked.noisy and pieces.count:
        least = max(3.0, (pieces.longest_side / SPECK_SHARE) ** 2)
        pieces, removed_ink = _without(values, pieces, least, 0.0)
        holes, removed_holes = _without(values, _Pieces(1 - pieces.mask, 8), least, 1.0)
        del holes
        _check_count(pieces, pieces.count)
        return values, removed_ink + removed_holes
    _check_count(pieces, pieces.count)
    return values, 0


class _Pieces:
    """Connected pieces of a mask."""

    def __init__(self, mask: NDArray[np.uint8], connectivity: int) -> None:
        import cv2  # noqa: PLC0415 - heavy

        count, self.labels, stats, _ = cv2.connectedComponentsWithStats(
            mask, connectivity=connectivity, ltype=cv2.CV_32S
        )
        self.mask, self.connectivity = mask, connectivity
        self.count = count - 1
        self.areas = stats[1:, cv2.CC_STAT_AREA]
        self.widths = stats[1:, cv2.CC_STAT_WIDTH]
        self.heights = stats[1:, cv2.CC_STAT_HEIGHT]

    @property
    def longest_side(self) -> int:
        """Longest side of the largest piece in pixels."""
        return int(max(self.widths.max(), self.heights.max())) if self.count else 0


def _without(
    values: FloatImage, pieces: _Pieces, least: float, filling: float
) -> tuple[_Pieces, int]:
    """Overwrite the pieces below `least` pixels, with the pixels around them."""
    import cv2  # noqa: PLC0415 - heavy

    small = np.flatnonzero(pieces.areas < least) + 1
    if len(small) == 0:
        return pieces, 0
    table = np.zeros(pieces.count + 1, np.uint8)
    table[small] = 1
    gone = table[pieces.labels]
    reach = cv2.dilate(gone, np.ones((3, 3), np.uint8)) > 0
    # Their soft rim goes with them, but never a pixel that belongs to something larger.
    values[reach & (pieces.mask == 0)] = np.where(
        np.abs(values[reach & (pieces.mask == 0)] - filling) < 0.5, filling,
        values[reach & (pieces.mask == 0)],
    )  # fmt: skip
    values[gone > 0] = filling
    mask = pieces.mask.copy()
    mask[gone > 0] = 0
    return _Pieces(mask, pieces.connectivity), len(small)


def _check_count(pieces: _Pieces, count: int) -> None:
    if count <= COMPONENTS.value and not _is_screened(pieces):
        return
    if _is_screened(pieces):
        text = f"looks like a halftone or a dither: {count:,} dots"
        hint = "ask for the line art, or blur the picture and raise its contrast before sending"
    else:
        text = f"falls into {count:,} pieces, more than {COMPONENTS.value:,}"
        hint = "is this line art? clean it, or scan it coarser"
    raise InputError(text, hint=hint, code="E_TOOCOMPLEX")


def _is_screened(pieces: _Pieces) -> bool:
    """Tell a screen of dots: very many, small, alike, and together most of the ink."""
    if pieces.count < 1500:
        return False
    rows, columns = pieces.mask.shape
    typical = float(np.median(pieces.areas))
    alike = pieces.areas[pieces.areas < 4 * typical].sum() / pieces.areas.sum()
    return typical < rows * columns / 4000 and float(alike) > 0.4


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
    text = f"the ink touches the edge of the picture ({', '.join(touched)}): maybe cut off there"
    return (Decision("crop", text, warning=True, code="W_CROPPED"),)


def _softness(values: FloatImage, ink: NDArray[np.bool_]) -> tuple[Decision, ...]:
    """Warn of shadows, glows and gradients: wide areas that are only partly covered.

    A pixel along a sharp edge is partly covered too, so they are compared with the outline.
    """
    import cv2  # noqa: PLC0415 - heavy

    partly = int(np.count_nonzero((values > 0.1) & (values < 0.9)))
    box = np.ones((3, 3), np.uint8)
    outline = int(np.count_nonzero(cv2.morphologyEx(ink.astype(np.uint8), cv2.MORPH_GRADIENT, box)))
    if partly < 3 * outline or partly < _SOFT_SHARE * 0.2 * np.count_nonzero(ink):
        return ()
    text = "soft parts (a shadow, a glow, a gradient): the edge was taken where half is covered"
    return (Decision("soft", text, "--threshold", warning=True, code="W_SOFT"),)
