"""Soft shadows and glows behind a design: found, and taken away from under its edges."""

import numpy as np
from numpy.typing import NDArray

from tracer.model import Decision
from tracer.raster.scalar import FloatImage, strips
from tracer.raster.shaded import outline, shaded_alpha, steep_share

_FLAT = 0.12
_CLEAR = 0.004
_STRONGEST = 0.6
_LEAST_SHARE = 0.01
_WINDOWS = (7, 15, 31)
"""Sides in px of the squares about an edge in which the shadow is looked for, in turn, until one
holds what is flat: the end of a notch is far from that."""
_STEEP = 0.25
_STEEP_SHARE = 0.5
"""Of the outline of a design with a shadow: what of it is no slope. A judgement."""


def _most_weak(alpha: FloatImage) -> float:
    """Return a share of the picture that what is weak and flat for 5 x 5 pixels cannot exceed.

    Each such square holds one of every fourth pixel both ways, which speaks for 9 x 9 about it.
    """
    down, along = (4 * ((n - 3) // 4) + 1 for n in alpha.shape)
    around = [alpha[i : i + down : 4, j : j + along : 4] for i in range(3) for j in range(3)]
    middle = around[4]
    flat = np.maximum.reduce(around) - np.minimum.reduce(around) < _FLAT
    weak = np.count_nonzero(flat & (middle > _CLEAR) & (middle < _STRONGEST))
    return float(81 * weak / alpha.size)


def _flat(alpha: FloatImage) -> NDArray[np.bool_]:
    """Tell where alpha is flat over three pixels both ways."""
    import cv2

    flat = np.empty(alpha.shape, dtype=np.bool_)
    for rows in strips(*alpha.shape):
        top = max(0, rows.start - 1)
        part = alpha[top : rows.stop + 1]
        slope = cv2.morphologyEx(part, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
        flat[rows] = slope[rows.start - top : rows.stop - top] < _FLAT
    return flat


def _strength(alpha: FloatImage, beside: NDArray[np.uint8], rows: slice) -> FloatImage:
    """Return how strong the shadow is in some rows, from flat pixels `beside` the design."""
    import cv2

    top = max(0, rows.start - _WINDOWS[-1])
    around = slice(top, rows.stop + _WINDOWS[-1])
    flat = beside[around].astype(np.float32)
    own = alpha[around] * flat
    strength, unknown = np.zeros_like(own), alpha[around] < 1
    for window in _WINDOWS:
        if not unknown.any():
            break
        weight = cv2.blur(flat, (window, window))
        known = unknown & (weight > 1e-6)
        np.divide(cv2.blur(own, (window, window)), weight, out=strength, where=known)
        unknown &= ~known
    return strength[rows.start - top : rows.stop - top]


def without_shadow(alpha: FloatImage) -> tuple[FloatImage, tuple[Decision, ...]]:
    """Return the alpha without a soft shadow or glow behind the design, and what was done.

    Where the ink covers the share c of a pixel over a shadow of strength s, alpha is
    ``c + s (1 - c)`` (Porter and Duff, "Compositing digital images", 1984, the operator *over*).
    Shadow is what is weak, and flat: it changes by less than 12 % over three pixels, where a sharp
    edge goes from nothing to all within two pixels. Its strength under an edge is that of what is
    flat nearby, shadow or clear. Without a shadow the very same array comes back. A design that is
    itself shaded in alpha, see `shaded_alpha`, keeps all of it.
    """
    import cv2

    step = max(1, int((alpha.size / 1_000_000) ** 0.5))
    some = np.mean((alpha[::step, ::step] > 0.02) & (alpha[::step, ::step] < _STRONGEST))
    ink = float(np.mean(alpha[::step, ::step] > 0.9))
    if ink == 0 or some < _LEAST_SHARE * ink:
        return alpha, ()
    if _most_weak(alpha) < 5 * _LEAST_SHARE * ink:
        return alpha, ()
    found = shaded_alpha(alpha)
    if found is not None:
        return found
    flat = _flat(alpha)
    weak = (flat & (alpha > _CLEAR) & (alpha < _STRONGEST)).astype(np.uint8)
    weak = np.asarray(cv2.morphologyEx(weak, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)))
    if weak.mean() < 5 * _LEAST_SHARE * ink:
        return alpha, ()
    beside = weak | (flat & (alpha <= _CLEAR))
    del flat
    if steep_share(alpha, outline((alpha >= 0.5) & (weak == 0)), _STEEP) < _STEEP_SHARE:
        return alpha, ()  # soft all round: no edge of its own
    out = np.empty_like(alpha)
    for here in strips(*alpha.shape):
        strength = _strength(alpha, beside, here)
        share = (alpha[here] - strength) / (1 - strength)
        out[here] = np.where(weak[here] > 0, 0, np.clip(share, 0, 1))
    text = "a soft shadow or glow was taken for none of the design: its edge is the sharp one"
    return out, (Decision("soft", text, "--as-is shadow", warning=True, code="W_SOFT"),)
