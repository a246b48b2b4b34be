"""Least squares on rings: match the coverage seen, and bend evenly where it says nothing."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.contour.area import Floats, Gain, Loops, coverage_of, cut_at_pixels, dot, inner

STEADINESS = 1e-4
"""Weight on the move itself; only keeps vertices that no pixel speaks about where they are."""
LONGEST_MOVE_PX = 0.7
Misfit = Callable[[Floats, Floats], Floats]
"""(coverage seen, coverage of the rings) -> what is still missing in each pixel."""


@dataclass(frozen=True, slots=True)
class Bending:
    """How strongly rings are asked to bend evenly, and from where a corner is let be."""

    fairness: float
    corner_px: float


def fair_step(
    loops: Loops, seen: NDArray[np.float32], columns: int, misfit: Misfit, bending: Bending
) -> Loops:
    """Move every vertex along its normal towards least misfit and even bending.

    One step of Gauss-Newton on the sum over pixels of the squared misfit plus the fairness times
    the sum over edges of the squared third difference across the edge. The third difference
    vanishes on lines and circles, so neither is pulled out of shape. Where it is large against
    the corner measure the artwork has a corner, and its weight fades (Geman and McClure,
    "Statistical methods for tomographic image reconstruction", Bull. ISI 52, 1987, from memory)
    instead of rounding the corner off.

    Parameters
    ----------
    loops
        The rings, vertices evenly spaced.
    seen
        Flat coverage of the page, `columns` a row.
    misfit
        How seen and produced coverage are compared.
    bending
        See above.
    """
    pieces = cut_at_pixels(loops)
    pixels, of_piece, covered = coverage_of(pieces, columns)
    missing = misfit(seen[pixels].astype(np.float64), covered)
    normals = loops.normals()
    gain = Gain(loops, pieces, of_piece, len(pixels), normals)
    bend = _Bend(loops, normals, bending)

    def normal_equations(move: Floats) -> Floats:
        return gain.back(gain.of(move)) + bend.back(bend.of(move)) + STEADINESS * move

    move = _conjugate_gradients(normal_equations, gain.back(missing) - bend.back(bend.now))
    return _moved(loops, normals, move)


def fair_moves(loops: Loops, wanted: Floats, bending: Bending) -> Loops:
    """Move every vertex along its normal by about `wanted` (N,) px, bending evenly.

    As `fair_step`, with the square of what is missing of each wanted move in place of the misfit.
    """
    normals = loops.normals()
    bend = _Bend(loops, normals, bending)

    def normal_equations(move: Floats) -> Floats:
        return move + bend.back(bend.of(move))

    return _moved(
        loops, normals, _conjugate_gradients(normal_equations, wanted - bend.back(bend.now))
    )


def _moved(loops: Loops, normals: Floats, move: Floats) -> Loops:
    move = np.clip(move, -LONGEST_MOVE_PX, LONGEST_MOVE_PX)
    return loops.moved(loops.points + normals * move[:, None])


class _Bend:
    """The weighted third differences across each edge, and their change by the moves."""

    def __init__(self, loops: Loops, normals: Floats, bending: Bending) -> None:
        after, before, here = loops.after, loops.before, np.arange(len(loops.points))
        x = loops.points
        self._around = (before, here, after, after[after])
        across = normals + normals[after]
        across /= np.maximum(np.hypot(across[:, 0], across[:, 1]), 1e-9)[:, None]
        third = x[after[after]] - 3 * x[after] + 3 * x - x[before]
        size = dot(third, across)
        weight = np.sqrt(bending.fairness) / (1 + (size / bending.corner_px) ** 2)
        self.now = weight * size
        self._factors: list[Floats] = [
            weight * factor * dot(across, normals[k])
            for factor, k in zip((-1.0, 3.0, -3.0, 1.0), self._around, strict=True)
        ]
        self._back = (after, here, before, before[before])

    def of(self, move: Floats) -> Floats:
        (a, b, c, d), (i, j, k, m) = self._factors, self._around
        return a * move[i] + b * move[j] + c * move[k] + d * move[m]

    def back(self, bends: Floats) -> Floats:
        (a, b, c, d), (i, j, k, m) = self._factors, self._back
        return (a * bends)[i] + (b * bends)[j] + (c * bends)[k] + (d * bends)[m]


def _conjugate_gradients(
    matrix: Callable[[Floats], Floats], right: Floats, steps: int = 12
) -> Floats:
    """Solve a symmetric positive system approximately, from 0, in at most `steps` steps."""
    x = np.zeros_like(right)
    residual = right
    direction = residual
    size = inner(residual, residual)
    smallest = 1e-10 * size
    for _ in range(steps):
        if size <= smallest:
            break
        image = matrix(direction)
        step = size / inner(direction, image)
        x = x + step * direction
        residual = residual - step * image
        before, size = size, inner(residual, residual)
        direction = residual + size / before * direction
    return x
