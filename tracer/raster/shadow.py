"""Soft shadows and glows behind a design: found, and taken away from under its edges."""

import numpy as np

from tracer.model import Decision
from tracer.raster.scalar import FloatImage, strips
from tracer.raster.shaded import outline, shaded_alpha, steep_share

_FLAT = 0.12
_STRONGEST = 0.6
_LEAST_SHARE = 0.01
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
    weak = np.count_nonzero(flat & (middle > 0.004) & (middle < _STRONGEST))
    return float(81 * weak / alpha.size)


def without_shadow(alpha: FloatImage) -> tuple[FloatImage, tuple[Decision, ...]]:
    """Return the alpha without a soft shadow or glow behind the design, and what was done.

    Where the ink covers the share c of a pixel over a shadow of strength s, alpha is
    ``c + s (1 - c)`` (Porter and Duff, "Compositing digital images", 1984, the operator *over*).
    Shadow is what is weak, and flat: it changes by less than 12 % over three pixels, where a sharp
    edge goes from nothing to all within two pixels. Its strength under an edge is that of the
    shadow within three pixels. Without a shadow the very same array comes back. A design that is
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
    box = np.ones((3, 3), np.uint8)
    slope = cv2.morphologyEx(alpha, cv2.MORPH_GRADIENT, box)
    weak = ((slope < _FLAT) & (alpha > 0.004) & (alpha < _STRONGEST)).astype(np.uint8)
    weak = np.asarray(cv2.morphologyEx(weak, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8)))
    if weak.mean() < 5 * _LEAST_SHARE * ink:
        return alpha, ()
    strength = np.where(weak > 0, alpha, np.float32(0))
    around = (7, 7)
    weight = cv2.blur(weak.astype(np.float32), around)
    strength = cv2.blur(strength, around)
    np.divide(strength, weight, out=strength, where=weight > 1e-6)
    strength[weight <= 1e-6] = 0
    del weight
    if steep_share(alpha, outline((alpha >= 0.5) & (weak == 0)), _STEEP) < _STEEP_SHARE:
        return alpha, ()  # soft all round: no edge of its own
    out = np.empty_like(alpha)
    for here in strips(*alpha.shape):
        share = (alpha[here] - strength[here]) / (1 - strength[here])
        out[here] = np.where(weak[here] > 0, 0, np.clip(share, 0, 1))
    text = "a soft shadow or glow was taken for none of the design: its edge is the sharp one"
    return out, (Decision("soft", text, "--as-is shadow", warning=True, code="W_SOFT"),)
