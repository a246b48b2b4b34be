"""The grid that artwork was drawn on, if its level and upright sides give it away.

Icons are drawn on grids; a renderer puts each side to where its pixels allow. Twenty sides that
all lie near the lines of one grid know its pitch far better than one of them knows its place.
"""

import math
from dataclasses import dataclass

import numpy as np

from tracer.curves.segments import FloatArray

_LEAST_PITCH_PX = 4.0
_LEAST_PITCH = 8.0
"""Times how far a side may be off; on a finer grid anything would lie."""

_OFF_GRID = 0.1
"""Share of the sides that may lie off the grid, as a guess before looking."""

_EVIDENCE = 9.0
"""How much likelier than chance the grid must be, whatever pitch and place were tried (log)."""

_FEWEST = 5
_TRIED = 8
"""So many of the best pitches are brought to their sides before they are compared."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Lines at ``start + k * pitch``, with one start across and one up, px."""

    pitch: float
    start: tuple[float, float]
    off: float  # how far a side may lie from its line

    def line(self, axis: int, value: float) -> float | None:
        """Return the line of the grid, or half way between two, that a side lies on; else None."""
        start = self.start[axis]
        for pitch in (self.pitch, self.pitch / 2):
            line = start + round((value - start) / pitch) * pitch
            if abs(line - value) <= self.off and pitch >= _LEAST_PITCH * self.off:
                return line
        return None


def find_grid(across: FloatArray, up: FloatArray, off: float) -> Grid | None:
    """Find the grid on which sides lie that are known within `off`.

    Of two grids on which the same sides lie it is the coarser. None where chance does as well:
    a side lies on a line of a random grid with a probability of ``2 off / pitch``, and as many
    grids can be tried as are told apart by `off`.

    Parameters
    ----------
    across, up
        Where the upright sides lie from left to right, and the level ones from the bottom up, px.
    off
        How far the place of a side may be off, px.
    """
    sides = [_apart(across, off), _apart(up, off)]
    if sum(map(len, sides)) < _FEWEST:
        return None
    pitches = _pitches(sides, max(_LEAST_PITCH_PX, _LEAST_PITCH * off))
    if not len(pitches):
        return None
    score, starts = _scored(sides, pitches, 2 * off)
    best: tuple[float, Grid | None] = (_EVIDENCE, None)
    for k in np.argsort(-score, kind="stable")[:_TRIED].tolist():
        grid = Grid(float(pitches[k]), (float(starts[0][k]), float(starts[1][k])), 2 * off)
        for _ in range(2):
            grid = _settled(sides, grid, off)
        exact, _ = _scored(sides, np.array([grid.pitch]), off, grid.start)
        if exact[0] > best[0]:
            best = float(exact[0]), grid
    return best[1]


def _pitches(sides: list[FloatArray], least: float) -> FloatArray:
    """Return the pitches of which a whole number lies between two sides that are far apart."""
    found = [np.empty(0)]
    for values in sides:
        for first in values[:2]:
            for last in values[-2:]:
                most = int((last - first) / least)
                found.append((last - first) / np.arange(3, most + 1))
    return np.concatenate(found)


def _scored(
    sides: list[FloatArray],
    pitches: FloatArray,
    off: float,
    known: tuple[float, float] | None = None,
) -> tuple[FloatArray, list[FloatArray]]:
    """Return how much likelier than chance each pitch is (log), and where its grids start.

    As many starts as are told apart by `off`, and as many pitches as there are steps of `off` in
    the extent, could have been chosen by chance. Unless they are `known`, the starts are the means
    of the sides round the pitch.
    """
    extent = max((float(np.ptp(s)) for s in sides if len(s)), default=0.0)
    score = np.full(len(pitches), -math.log(max(extent / off, 1.0)))
    starts = []
    for axis, values in enumerate(sides):
        turns = values[None, :] / pitches[:, None]
        start = np.angle(np.exp(2j * math.pi * turns).sum(axis=1)) / (2 * math.pi) * pitches
        if known is not None:
            start = np.full(len(pitches), known[axis])
        away = turns - (start / pitches)[:, None]
        near = np.abs(away - np.round(away)) * pitches[:, None] <= off
        gain = np.log((1 - _OFF_GRID) * pitches / (2 * off))[:, None]
        score += np.where(near, gain, math.log(_OFF_GRID)).sum(axis=1)
        score -= np.log(pitches / off) * (len(values) > 0)
        starts.append(start)
    return score, starts


def _apart(values: FloatArray, off: float) -> FloatArray:
    """Return the values without those that repeat one: off by the same, they say no more."""
    ordered = np.sort(values)
    kept: FloatArray = ordered[np.concatenate([[True], np.diff(ordered) > off])[: len(ordered)]]
    return kept


def _settled(sides: list[FloatArray], grid: Grid, off: float) -> Grid:
    """Return the grid brought to the sides on it by least squares, known within `off`."""
    rows, right = [], []
    for axis, values in enumerate(sides):
        nth = np.round((values - grid.start[axis]) / grid.pitch)
        near = np.abs(values - grid.start[axis] - nth * grid.pitch) <= grid.off
        for k, value in zip(nth[near].tolist(), values[near].tolist(), strict=True):
            rows.append([k, float(axis == 0), float(axis == 1)])
            right.append(value)
    if len(rows) < _FEWEST:
        return grid
    solved = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
    return Grid(float(solved[0]), (float(solved[1]), float(solved[2])), off)
