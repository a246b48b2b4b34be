"""The exact coverage of pixels by rings, and how it changes when the rings are moved."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Points

Index = NDArray[np.intp]
Floats = NDArray[np.float64]

_FLAT_FOLD_PX2 = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Loops:
    """Closed rings laid end to end.

    `points` (N, 2) in px, y down; `after` and `before` (N,) give the neighbours of each vertex on
    its ring; `starts` the first vertex of each ring. Ink lies on the left of the way.
    """

    points: Points
    after: Index
    before: Index
    starts: Index

    @classmethod
    def of(cls, rings: tuple[Points, ...]) -> "Loops":
        """Lay rings end to end."""
        counts = np.array([len(ring) for ring in rings])
        starts = np.cumsum(counts) - counts
        after = np.arange(1, counts.sum() + 1)
        after[starts + counts - 1] = starts
        before = np.empty_like(after)
        before[after] = np.arange(len(after))
        return cls(np.concatenate(rings), after, before, starts)

    def moved(self, points: Points) -> "Loops":
        """Return the same rings through other points."""
        return Loops(points, self.after, self.before, self.starts)

    @property
    def rings(self) -> tuple[Points, ...]:
        """The rings one by one."""
        return tuple(np.split(self.points, self.starts[1:]))

    def normals(self) -> Points:
        """Return the unit normal at each vertex, away from the ink; 0 at a turn back."""
        return away_from_ink(self.points[self.after] - self.points[self.before])


def away_from_ink(ways: Points) -> Points:
    """Return the unit vectors (N, 2) on the right of the ways, as seen with y down."""
    size = np.hypot(ways[:, 0], ways[:, 1])
    return np.column_stack([-ways[:, 1], ways[:, 0]]) / np.maximum(size, 1e-12)[:, None]


def resampled(ring: Points, step_px: float) -> tuple[Points, Floats]:
    """Return equally spaced points of a closed ring, at least 8, and how far along each lies."""
    closed = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(8, round(along[-1] / step_px))
    at = np.arange(count) * (along[-1] / count)
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in (0, 1)]), at


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """The edges of rings cut at the borders of pixels.

    Piece k runs from `t0[k]` to `t1[k]` of edge `edge[k]` (that starts at the vertex of the same
    number) within the pixel of row `row[k]` and column `column[k]`.
    """

    edge: Index
    t0: Floats
    t1: Floats
    row: Index
    column: Index
    height: Floats  # y at the end less y at the start
    right_of: Floats  # share of the pixel's width on the right of the middle of the piece


def cut_at_pixels(loops: Loops) -> Pieces:
    """Cut every edge at the integer grid lines that it crosses; pieces stand in ring order."""
    a = loops.points
    way = a[loops.after] - a
    edges, shares = [np.arange(len(a))], [np.zeros(len(a))]
    for axis in (0, 1):
        edge, share = _crossings(a[:, axis], way[:, axis])
        edges.append(edge)
        shares.append(share)
    edge, t0 = np.concatenate(edges), np.concatenate(shares)
    order = np.lexsort([t0, edge])
    edge, t0 = edge[order], t0[order]
    last = np.append(edge[1:] != edge[:-1], True)
    t1 = np.where(last, 1.0, np.append(t0[1:], 1.0))
    middle = a[edge] + way[edge] * ((t0 + t1) / 2)[:, None]
    corner = np.floor(middle)
    return Pieces(
        edge,
        t0,
        t1,
        corner[:, 1].astype(np.intp),
        corner[:, 0].astype(np.intp),
        way[edge, 1] * (t1 - t0),
        1 - (middle[:, 0] - corner[:, 0]),
    )


def _crossings(start: Floats, way: Floats) -> tuple[Index, Floats]:
    """Return where edges cross whole numbers on one axis: the edge and the share along it."""
    low, high = np.minimum(start, start + way), np.maximum(start, start + way)
    first = np.floor(low) + 1
    count = np.maximum(np.ceil(high) - first, 0).astype(np.intp)
    edge = np.repeat(np.arange(len(start)), count)
    nth = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    return edge, np.clip((first[edge] + nth - start[edge]) / way[edge], 0.0, 1.0)


def coverage_of(pieces: Pieces, columns: int) -> tuple[Index, Index, Floats]:
    """Return the coverage of each pixel that rings pass through, exact to rounding.

    Returns
    -------
    pixels
        (P,) row * `columns` + column, rising; the rings must lie within the columns.
    of_piece
        (len(pieces),) which of the pixels each piece lies in.
    covered
        (P,) the area of the pixel within the rings.

    Notes
    -----
    Green's theorem as scan converters use it: a piece covers what lies on its right within its
    pixel, and its whole height in every pixel further right.
    """
    at = pieces.row * columns + pieces.column
    pixels, of_piece = np.unique(at, return_inverse=True)
    height = summed(of_piece, pieces.height, len(pixels))
    own = summed(of_piece, pieces.height * pieces.right_of, len(pixels))
    # heights in one row add up to nothing, so one running sum serves all rows
    return pixels, of_piece.astype(np.intp), own + np.cumsum(height) - height


class Gain:
    """The change of each pixel's coverage by the moves of the vertices along `normals` (N, 2)."""

    def __init__(
        self, loops: Loops, pieces: Pieces, of_piece: Index, pixels: int, normals: Floats
    ) -> None:
        ways = loops.points[loops.after] - loops.points
        across = away_from_ink(ways)
        length = np.hypot(ways[:, 0], ways[:, 1])
        share = (pieces.t0 + pieces.t1) / 2
        part = length[pieces.edge] * (pieces.t1 - pieces.t0)
        self._start, self._end = pieces.edge, loops.after[pieces.edge]
        self._by_start = part * (1 - share) * dot(across, normals)[pieces.edge]
        self._by_end = part * share * dot(across, normals[loops.after])[pieces.edge]
        self._pixel, self._pixels, self._vertices = of_piece, pixels, len(loops.points)

    def of(self, move: Floats) -> Floats:
        """Return the change (pixels,) by the moves (N,), to first order."""
        change = self._by_start * move[self._start] + self._by_end * move[self._end]
        return summed(self._pixel, change, self._pixels)

    def back(self, change: Floats) -> Floats:
        """Return the transpose of `of`: the sum (N,) of each vertex over the pixels."""
        each = change[self._pixel]
        n = self._vertices
        at_start = summed(self._start, self._by_start * each, n)
        return at_start + summed(self._end, self._by_end * each, n)


def summed(index: Index, values: Floats, size: int) -> Floats:
    """Return (size,) the sum of the values of each index."""
    return np.bincount(index, values, minlength=size).astype(np.float64, copy=False)


def dot(a: Points, b: Points) -> Floats:
    """Return (N,) the inner product of each pair of rows."""
    product: Floats = np.einsum("ij,ij->i", a, b)
    return product


def inner(a: Floats, b: Floats) -> float:
    """Return the inner product; `@` would wake the threads of BLAS for so little."""
    return float(np.einsum("i,i->", a, b))


def read_between(values: NDArray[np.float32], places: Floats) -> Floats:
    """Return values (rows, columns) at `places` (..., 2) in px, by proportion between centres."""
    rows, columns = values.shape
    x = np.clip(places[..., 0] - 0.5, 0, columns - 1.001)
    y = np.clip(places[..., 1] - 0.5, 0, rows - 1.001)
    j, i = x.astype(np.intp), y.astype(np.intp)
    x, y = x - j, y - i
    flat, at = values.ravel(), i * columns + j
    above = flat[at] * (1 - x) + flat[at + 1] * x
    below = flat[at + columns] * (1 - x) + flat[at + columns + 1] * x
    read: Floats = above * (1 - y) + below * y
    return read


def with_room(
    values: NDArray[np.float32], rings: tuple[Points, ...], room_px: int
) -> tuple[NDArray[np.float32], int]:
    """Return values with `room_px` pixels or more around the rings, and how many were added.

    Most artwork has that room, and no copy of it is made.
    """
    rows, columns = values.shape
    low = np.min([ring.min(axis=0) for ring in rings], axis=0)
    high = np.max([ring.max(axis=0) for ring in rings], axis=0)
    if low.min() >= room_px and columns - high[0] >= room_px and rows - high[1] >= room_px:
        return values, 0
    return np.pad(values, room_px), room_px


def area_of(ring: Points) -> float:
    """Return the shoelace area; its sign tells which way a ring runs."""
    x, y = (ring - ring[0]).T
    return float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2


def cross_free(rings: tuple[Points, ...]) -> bool:
    """Say whether rings neither cross nor touch themselves or each other."""
    lines = [shapely.LinearRing(ring) for ring in rings]
    return bool(shapely.is_simple(shapely.MultiLineString(lines)))


def crossings(rings: tuple[Points, ...]) -> list[tuple[int, Points]]:
    """Return (ring, place) of both edges wherever two edges that are not neighbours meet."""
    loops = Loops.of(rings)
    ends = np.stack([loops.points, loops.points[loops.after]], axis=1)
    edges = np.asarray(shapely.linestrings(ends))
    a, b = shapely.STRtree(edges).query(edges, predicate="intersects")
    other = (a < b) & (loops.after[a] != b) & (loops.after[b] != a)
    touched = np.unique(np.concatenate([a[other], b[other]]))
    # neighbours that fold back on each other
    way = ends[:, 1] - ends[:, 0]
    on = way[loops.after]
    turned_back = np.einsum("ij,ij->i", way, on) < 0
    flat = np.abs(way[:, 0] * on[:, 1] - way[:, 1] * on[:, 0]) <= _FLAT_FOLD_PX2
    touched = np.union1d(touched, np.flatnonzero(turned_back & flat))
    owner = np.searchsorted(loops.starts, touched, side="right") - 1
    return list(zip(owner.tolist(), ends[touched].mean(axis=1), strict=True))
