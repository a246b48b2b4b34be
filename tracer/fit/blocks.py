"""Least squares under conditions, for a chain of unknowns that only speak to their neighbours.

The unknowns come in blocks in the order of the chain. A part of the sum of squares touches a block
and the next one, a condition a block and both neighbours. So the normal equations with their
Lagrange multipliers are block tridiagonal (with corners where the chain is closed) and are solved
in a time that grows with the length of the chain, not with its cube: Gaussian elimination by
blocks (G. Golub and C. Van Loan, "Matrix Computations", 2013, 4.5.1), bordered by the first block.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import FloatArray

Index = NDArray[np.intp]

_DENSE = 64
"""Up to this many equations one dense solution is quicker (and stays on one thread)."""

_GIVE = 1e-9
"""Relative give of a condition, so that two that say the same do no harm."""


@dataclass(frozen=True, slots=True, eq=False)
class Square:
    """One part of the sum of squares: its matrix and right side for the unknowns `columns`."""

    columns: Index  # may name an unknown twice; its values then add up
    matrix: FloatArray
    right: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """One linear condition: the sum of `values` times the unknowns `columns` is `wanted`."""

    block: int
    columns: Index
    values: FloatArray
    wanted: float


def least_squares(
    blocks: Index, squares: list[Square], conditions: list[Condition], damping: float
) -> FloatArray:
    """Return the unknowns that minimise the squares while the conditions hold.

    Parameters
    ----------
    blocks
        (N,), the block of each unknown, 0 to K - 1; the last may speak to the first.
    squares, conditions
        What is minimised, what must hold.
    damping
        Added to the diagonal, as a share of its mean.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the equations are singular.
    """
    size, total = len(blocks), len(blocks) + len(conditions)
    scale = max(math.fsum(float(np.trace(s.matrix)) for s in squares) / size, 1e-12)
    rows, columns, values = [np.arange(size)], [np.arange(size)], [np.full(size, damping * scale)]
    right = np.zeros(total)
    for square in squares:
        n = len(square.columns)
        rows.append(np.repeat(square.columns, n))
        columns.append(np.tile(square.columns, n))
        values.append(square.matrix.ravel())
        np.add.at(right, square.columns, square.right)
    for k, condition in enumerate(conditions, start=size):
        here = np.full(len(condition.columns), k)
        rows += [here, condition.columns, here[:1]]
        columns += [condition.columns, here, here[:1]]
        values += [scale * condition.values, scale * condition.values, np.array([-_GIVE * scale])]
        right[k] = scale * condition.wanted
    owner = np.concatenate([blocks, np.array([c.block for c in conditions], dtype=np.intp)])
    row, column, value = np.concatenate(rows), np.concatenate(columns), np.concatenate(values)
    if total <= _DENSE or owner.max() < 3:
        matrix = np.bincount(row * total + column, value, minlength=total * total)
        return np.asarray(np.linalg.solve(matrix.reshape(total, total), right)[:size], np.float64)
    return _by_blocks(owner, row, column, value, right)[:size]


def _by_blocks(
    owner: Index, row: Index, column: Index, value: FloatArray, right: FloatArray
) -> FloatArray:
    """Solve the equations of a (cyclic) chain of at least four blocks."""
    order = np.argsort(owner, kind="stable")
    count = int(owner.max()) + 1
    sizes = np.bincount(owner, minlength=count)
    local = np.empty(len(owner), dtype=np.intp)
    local[order] = np.arange(len(owner)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    width = int(sizes.max())
    place = (owner[row] * width + local[row]) * width + local[column]
    same = owner[row] == owner[column]
    ahead = ~same & (owner[column] == (owner[row] + 1) % count)
    cells = count * width * width
    shape = (count, width, width)
    diagonal: FloatArray = (
        np.bincount(place[same], value[same], cells).astype(np.float64).reshape(shape)
    )
    upper: FloatArray = np.bincount(place[ahead], value[ahead], cells).astype(float).reshape(shape)
    unused = np.arange(width)[None, :] >= sizes[:, None]
    k, j = np.nonzero(unused)
    diagonal[k, j, j] = 1.0
    side = np.zeros((count, width))
    side[owner, local] = right
    return _bordered(diagonal, upper, side)[owner, local]


def _bordered(diagonal: FloatArray, upper: FloatArray, side: FloatArray) -> FloatArray:
    """Solve the symmetric block system; upper[k] ties block k to the next, the last to the first.

    The first block is the border: the others are eliminated for its unknowns and the right side.
    """
    count, width, _ = diagonal.shape
    border = np.zeros((count - 1, width, width + 1))
    border[:, :, width] = side[1:]
    border[0, :, :width] += upper[0].T
    border[-1, :, :width] += upper[-1]
    pivots, gains = diagonal[1:].copy(), []
    for k in range(count - 2):
        both = np.linalg.solve(pivots[k], np.hstack([upper[k + 1], border[k]]))
        gains.append(both)
        pivots[k + 1] -= upper[k + 1].T @ both[:, :width]
        border[k + 1] -= upper[k + 1].T @ both[:, width:]
    last = np.linalg.solve(pivots[-1], border[-1])
    back = [last]
    for both in reversed(gains):
        back.append(both[:, width:] - both[:, :width] @ back[-1])
    solved = np.array(back[::-1])
    by_border, plain = solved[:, :, :width], solved[:, :, width]
    coupling = diagonal[0] - upper[0] @ by_border[0] - upper[-1].T @ by_border[-1]
    free = side[0] - upper[0] @ plain[0] - upper[-1].T @ plain[-1]
    first = np.linalg.solve(coupling, free)
    return np.vstack([first[None, :], plain - by_border @ first])
