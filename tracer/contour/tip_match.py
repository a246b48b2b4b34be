"""A sharp tip matched to the pixels about it, by least squares."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.contour.area import (
    Floats,
    Gain,
    Index,
    Loops,
    coverage_of,
    cut_at_pixels,
    inner,
    summed,
)
from tracer.contour.tip_sides import Arms
from tracer.model import Coverage, Points

_ROOM_PX = 2.0
"""The pixels that speak of a tip lie this near to the ring, or to the tip's axis beyond it."""
_AHEAD_PX = 3.0
"""Such pixels are looked at so far beyond where straight sides would meet."""
_BEAD_OFF_PX = 1.5
"""The rings into which a needle breaks lie within this distance of its axis ..."""
_BEAD_BEFORE_PX = 2.5
"""... and begin no further before the end of the ring."""
_FEWEST = 12
_FAINT = 0.002
_BETTER = 0.5
"""A sum of squares that is missing must be below the one, or this share of what it was: a line that
leaves nothing missing need not be the one that was drawn."""
_ROUNDS = 8
_GAIN = 0.03
"""Steps end when the sum of squares falls by less than this share."""
_SCALE = np.array([1e-3, 1e-2, 0.05] * 2)
"""By what the bend, the slope and the place of a side are counted, and held by ..."""
_DAMPING = 1e-5
_EDGE = 4
"""Rings lie no further outside the artwork than so many pixels."""


@dataclass(frozen=True, slots=True, eq=False)
class Sight:
    """The coverage seen, and what rings leave of it; pixels are numbered with an edge about."""

    seen: NDArray[np.float32]
    pixels: Index  # (P,) those that rings pass, rising
    covered: Floats  # (P,)
    beyond: Floats  # (P,) what is covered of the pixels from each on to the next one in its row

    @classmethod
    def of(cls, rings: tuple[Points, ...], coverage: Coverage) -> "Sight":
        """Look at rings that were refined to a coverage."""
        loops = Loops.of(rings)
        columns = coverage.values.shape[1] + 2 * _EDGE
        pieces = cut_at_pixels(loops.moved(loops.points + _EDGE))
        pixels, of_piece, covered = coverage_of(pieces, columns)
        beyond = np.cumsum(summed(of_piece, pieces.height, len(pixels)))
        return cls(coverage.values, pixels, covered, beyond)

    def missing(self, corner: Index, shape: tuple[int, int]) -> Floats:
        """Return what is missing in a window of (rows, columns) whose corner is at (x, y)."""
        seen = np.zeros(shape)
        rows, columns = self.seen.shape
        x, y = (int(v) for v in corner)
        left, top = max(x, 0), max(y, 0)
        part = self.seen[top : max(y + shape[0], 0), left : max(x + shape[1], 0)]
        seen[top - y : top - y + part.shape[0], left - x : left - x + part.shape[1]] = part
        row = np.clip(y + np.arange(shape[0]) + _EDGE, 0, rows + 2 * _EDGE - 1)
        column = np.clip(x + np.arange(shape[1]) + _EDGE, 0, columns + 2 * _EDGE - 1)
        at = row[:, None] * (columns + 2 * _EDGE) + column
        last = np.searchsorted(self.pixels, at, side="right") - 1
        passed = (self.pixels[last] == at) & (last >= 0)
        beyond = np.where(last >= 0, self.beyond[last], 0.0)
        return seen - np.where(passed, self.covered[last], beyond)


@dataclass(frozen=True, slots=True, eq=False)
class Tip:
    """A tip drawn out: what stands between two vertices of a ring from now on."""

    ring: int
    first: int  # the last vertex before it that is kept
    last: int  # the first one after it
    way: Points
    beads: tuple[int, ...]  # rings that are part of it
    missing: float  # root of the mean square


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """The pixels about a tip, and what is missing in them without what stood there."""

    corner: Index  # (2,)
    shape: tuple[int, int]
    speaking: NDArray[np.bool_]  # which of the pixels speak of the tip
    missing: Floats  # of these, with the ring as it was but without its beads
    before: float  # sum of squares that was missing with the beads
    beads: tuple[int, ...]


def place_of(
    sight: Sight, rings: tuple[Points, ...], beads: list[int], number: int, arms: Arms
) -> Place | None:
    """Return the pixels about a tip; None where too few speak of it."""
    far = arms.origin + (arms.meet + _AHEAD_PX) * arms.frame[0]
    around = np.vstack([arms.old, far])
    corner = np.floor(around.min(axis=0)).astype(np.intp) - 3
    columns, rows = (np.ceil(around.max(axis=0)).astype(np.intp) + 3 - corner).tolist()
    missing = sight.missing(corner, (rows, columns))
    x, y = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    centres = np.stack([x, y], axis=-1)
    along, off = arms.seen_from(centres + corner)
    line = shapely.LineString(arms.old - corner)
    near = shapely.dwithin(shapely.points(centres), line, _ROOM_PX)
    speaking = near | ((np.abs(off) <= _ROOM_PX) & (along > 0))
    speaking &= (along > max(arms.starts) + 1) & (along <= arms.meet + _AHEAD_PX)
    if speaking.sum() < _FEWEST:
        return None
    before = float((missing[speaking] ** 2).sum())
    own = []
    for k in beads:
        u, v = arms.seen_from(rings[k])
        ahead = u.min() > -_BEAD_BEFORE_PX and u.max() < arms.meet + _AHEAD_PX - 0.5
        if k != number and ahead and np.abs(v).max() < _BEAD_OFF_PX:
            own.append(k)
            missing = missing + _covered(rings[k] - corner, (rows, columns))
    return Place(corner, (rows, columns), speaking, missing[speaking], before, tuple(own))


def _covered(loop: Points, shape: tuple[int, int]) -> Floats:
    """Return the coverage of a window of (rows, columns) by a loop."""
    pixels, _, covered = coverage_of(cut_at_pixels(Loops.of((loop,))), shape[1])
    return _spread(pixels, covered, shape)


def _spread(pixels: Index, values: Floats, shape: tuple[int, int]) -> Floats:
    whole = np.zeros(shape[0] * shape[1])
    whole[pixels] = values
    return whole.reshape(shape)


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """A tip with certain sides, and how it matches the pixels that speak of it."""

    sides: Floats  # (6,)
    way: Points  # from the first side's begin to the second's
    missing: Floats
    rates: Callable[[], Floats]  # (6, pixels), the change of that with each number of the sides

    @property
    def cost(self) -> float:
        """Sum of squares."""
        return inner(self.missing, self.missing)


def _trial(place: Place, arms: Arms, sides: Floats) -> _Trial | None:
    """Return the tip with these sides, None where they do not meet in the window."""
    meet = arms.meeting(sides)
    if meet is None:
        return None
    u, way = arms.way(sides, meet)
    loop: Points = np.concatenate([arms.old[:1], way, arms.old[:0:-1]]) - place.corner
    if loop.min() < 0 or (loop.max(axis=0) >= place.shape[::-1]).any():
        return None
    loops = Loops.of((loop,))
    cut = cut_at_pixels(loops)
    pixels, of_piece, covered = coverage_of(cut, place.shape[1])
    tip = 1 + int(np.argmax(u))  # of the way, in which it stands twice

    def rates() -> Floats:
        across = np.broadcast_to(arms.frame[1], loop.shape)
        gain = Gain(loops, cut, of_piece, len(pixels), across)
        rows = []
        for own in (slice(0, tip), slice(tip, len(u))):
            for power in (2, 1, 0):
                move = np.zeros(len(loop))
                move[1 : 1 + len(u)][own] = u[own] ** power
                rows.append(-_spread(pixels, gain.of(move), place.shape)[place.speaking])
        return np.array(rows)

    missing = place.missing - _spread(pixels, covered, place.shape)[place.speaking]
    return _Trial(sides, np.delete(way, tip, axis=0), missing, rates)


def fitted(place: Place, arms: Arms, number: int) -> Tip | None:
    """Return the tip whose sides leave least missing.

    None where much, or half of what it was, is still missing, and where the sides do not lead on to
    the ring smoothly.
    """
    best = _trial(place, arms, arms.begun)
    for _ in range(_ROUNDS):
        better = None if best is None else _stepped(place, arms, best)
        if best is None or better is None:
            break
        gain = best.cost - better.cost
        best = better
        if gain < _GAIN * best.cost:
            break
    most = max(_BETTER * place.before, _FAINT)
    if best is None or best.cost > most or not arms.goes_on(best.sides):
        return None
    missing = math.sqrt(best.cost / len(best.missing))
    return Tip(number, arms.first, arms.last, best.way, place.beads, missing)


def _stepped(place: Place, arms: Arms, now: _Trial) -> _Trial | None:
    """Return the tip after a step that leaves less missing, None where no step does."""
    rates = now.rates() * _SCALE[:, None]
    square = np.einsum("ik,jk->ij", rates, rates) + _DAMPING * np.eye(6)
    step = -np.linalg.solve(square, np.einsum("ik,k->i", rates, now.missing)) * _SCALE
    for share in (1.0, 0.5, 0.25):
        tried = _trial(place, arms, now.sides + share * step)
        if tried is not None and tried.cost < now.cost:
            return tried
    return None
