"""Shaded ink, from one tone to another, on a plain ground: the design is all that is no ground."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from tracer.model import Decision
from tracer.raster.lookout import PHOTO_SHARE
from tracer.raster.paper import Inked, stretched
from tracer.raster.pixels import Samples
from tracer.raster.scalar import FloatImage, by_distance, ground_colour, strips

_PLAIN_SHARE = 0.98
_PLAIN = 3
"""Levels of 255 within which a ground counts as plain: what JPEG leaves of one."""
_SHARP_SHARE = 0.8
_SHARP = 0.25
_FADING = 0.1
"""Change of alpha within 5 px below which it fades inside the design. Gentler than any shadow that
could pass for sharp: a blur of 16 px. A judgement."""
_FAINTEST = 0.1


def shaded(colour: Samples, inked: Inked) -> Inked | None:
    """Return the coverage of a shaded design on a plain ground, None where it is none.

    Only a picture with much that is neither ink nor paper is looked at. The ground must be plain
    along the border and the design stand sharply against it: light that fades into the ground (a
    glow, a photograph's shadow) has no edge of its own.
    """
    if inked.neither <= PHOTO_SHARE:
        return None
    eight = np.asarray(colour if colour.dtype == np.uint8 else colour >> 8, dtype=np.uint8)
    border = np.concatenate([eight[0], eight[-1], eight[:, 0], eight[:, -1]]).astype(np.int16)
    ground = np.median(border, axis=0) if eight.ndim == 2 else ground_colour(eight)
    apart = np.abs(border - ground)
    if np.mean((apart if eight.ndim == 2 else apart.max(axis=1)) <= _PLAIN) < _PLAIN_SHARE:
        return None
    tone, _ = by_distance(eight, np.asarray(ground, dtype=np.float32))
    found = stretched(tone, dark=True)
    if not _stands_sharply(found.values):
        return None
    text = "the ink is shaded on a plain ground: all that differs from the ground was taken"
    said = tuple(d for d in inked.decisions if d.topic not in {"polarity", "threshold", "light"})
    decision = Decision("ink", text, "--ink dark", warning=True, code="W_SHADED")
    return dataclasses.replace(
        found, decisions=(*said, decision), noisy=inked.noisy, noise=inked.noise, neither=0.0
    )


def shaded_alpha(alpha: FloatImage) -> tuple[FloatImage, tuple[Decision, ...]] | None:
    """Return the coverage of a design whose alpha fades from one side to another, else None.

    Where the half-way line of the alpha runs through the design, away from what is clear, it then
    lies on a slope; over a shadow with an edge of its own it is steep. Besides, the design stands
    sharply against what is clear, into which a shadow or a glow fades.
    """
    import cv2

    within = cv2.erode(alpha, np.ones((5, 5), np.uint8)) > _SHARP
    if steep_share(alpha, outline(alpha >= 0.5) & within, _FADING) > 0.5:
        return None
    eight = np.rint(alpha * 255).astype(np.uint8)
    tone, _ = by_distance(eight, np.zeros(1, np.float32), _FAINTEST)
    values = np.asarray(1 - tone.levels / np.float32(tone.white), dtype=np.float32)
    if not _stands_sharply(values):
        return None
    text = "the design fades in transparency: all that stands out from the clear was taken"
    decision = Decision("ink", text, "--as-is shadow", warning=True, code="W_SHADED")
    return values, (decision,)


def outline(ink: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the pixels on both sides of the edge of the ink."""
    import cv2

    box = np.ones((3, 3), np.uint8)
    return np.asarray(cv2.morphologyEx(ink.view(np.uint8), cv2.MORPH_GRADIENT, box)) > 0


def steep_share(values: FloatImage, edge: NDArray[np.bool_], step: float) -> float:
    """Return at how many of the pixels of an edge values change by `step` within 5 px, or 1."""
    import cv2

    box, steep, count = np.ones((5, 5), np.uint8), 0, 0
    for rows in strips(*values.shape):
        top = max(0, rows.start - 2)
        slope = cv2.morphologyEx(values[top : rows.stop + 2], cv2.MORPH_GRADIENT, box)
        own = slope[rows.start - top : rows.stop - top][edge[rows]]
        steep, count = steep + int(np.count_nonzero(own > step)), count + own.size
    return steep / count if count else 1.0


def _stands_sharply(values: FloatImage) -> bool:
    """Tell whether coverage goes from nearly none to nearly all within five pixels of its edge."""
    import cv2

    edge = outline(values >= 0.5)
    box = np.ones((5, 5), np.uint8)
    low, high = cv2.erode(values, box)[edge], cv2.dilate(values, box)[edge]
    sharp = (low < _SHARP) & (high > 1 - _SHARP)
    return bool(sharp.size and sharp.mean() > _SHARP_SHARE)
