"""The true outline of a drawing: the edge of what a renderer fills, and where its corners are.

Icons overlap themselves at times, so the truth is the boundary of the non-zero fill, in pixels,
y down, as an artwork of `pixels` square shows it. Nothing here comes from the package under test.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from fontTools.svgLib.path import parse_path
from fontTools.svgLib.path.arc import EllipticalArc
from numpy.typing import NDArray

from tests.drawings import TrueDrawing

Floats = NDArray[np.float64]
FLATNESS_PX = 0.001
CORNER_DEG = 20.0
"""A joint that turns at least this much is a corner that must be found ..."""
CLEAR_PX = 4.0
"""... when no other joint that turns visibly is nearer than this along the outline."""
VISIBLE_DEG = 8.0
TIGHT_DEG = 30.0
"""An outline that turns this much within a pixel may be taken for a corner: radius < 1.9 px."""


@dataclass(frozen=True)
class Corners:
    """Places on an outline, (N, 2), and how far the outline turns there in degrees."""

    points: Floats
    turns: Floats


@dataclass(frozen=True)
class TrueOutline:
    """The outline of a drawing at one size.

    `rings` are closed lines of points within `FLATNESS_PX` of the curves, ink on the right
    (y down); `labels[i][k]` numbers the designer's segment that edge k of ring i lies on.
    """

    rings: tuple[Floats, ...]
    labels: tuple[NDArray[np.int64], ...]
    kinds: tuple[str, ...]  # of each of the designer's segments: line, arc, curve
    region: shapely.MultiPolygon

    @cached_property
    def nodes(self) -> int:
        """The number of the designer's segments on the outline.

        A segment that another one interrupts counts once for every piece that can be seen. An SVG
        arc counts once, however far it turns; superfluous nodes of the designer are counted.
        """
        return sum(len(_joints(labels)) or 1 for labels in self.labels)

    def count(self, kind: str) -> int:
        """Return the number of segments of a kind on the outline."""
        total = 0
        for labels in self.labels:
            starts = _joints(labels)
            starts = starts if len(starts) else np.array([0])
            total += sum(self.kinds[labels[i]] == kind for i in starts)
        return total

    @cached_property
    def corners(self) -> Corners:
        """Corners that must be found."""
        return _merge([_clear_corners(r, n) for r, n in zip(self.rings, self.labels, strict=True)])

    @cached_property
    def allowed(self) -> Corners:
        """Places where a corner is no mistake: any visible joint, any very tight turn."""
        return _merge([_any_turn(ring) for ring in self.rings])


def true_outline(drawing: TrueDrawing, pixels: int) -> TrueOutline:
    """Return the boundary of the non-zero fill of a drawing."""
    pen = _flattened(drawing, pixels)
    return outline_of(pen.contours, pen.kinds)


def contours_of(drawing: TrueDrawing, pixels: int) -> list[Floats]:
    """Return the closed contours as drawn, (N, 2) in px, within `FLATNESS_PX` of the curves."""
    return [points for points, _ in _flattened(drawing, pixels).contours]


def _flattened(drawing: TrueDrawing, pixels: int) -> "_Flattener":
    x, y, side = drawing.box
    pen = _Flattener(pixels / side, x + 1j * y)
    parse_path(drawing.path, pen, arc_class=_MarkedArc)
    pen.closePath()
    return pen


def outline_of(
    contours: Sequence[tuple[Floats, NDArray[np.int64]]], kinds: Sequence[str]
) -> TrueOutline:
    """Return the boundary of the non-zero fill of closed contours with a label for each edge."""
    region = nonzero_fill([points for points, _ in contours])
    starts = np.concatenate([points for points, _ in contours])
    ends = np.concatenate([np.roll(points, -1, axis=0) for points, _ in contours])
    numbers = np.concatenate([labels for _, labels in contours])
    tree = shapely.STRtree(np.asarray(shapely.linestrings(np.stack([starts, ends], axis=1))))
    rings, labels = [], []
    for line in shapely.get_rings(shapely.get_parts(shapely.orient_polygons(region))):
        ring = shapely.get_coordinates(line)
        ring = ring[np.any(np.diff(ring, axis=0) != 0, axis=1, keepdims=False).nonzero()[0]]
        middle = (ring + np.roll(ring, -1, axis=0)) / 2
        _, nearest = tree.query_nearest(shapely.points(middle), all_matches=False)
        rings.append(ring)
        labels.append(numbers[nearest])
    return TrueOutline(tuple(rings), tuple(labels), tuple(kinds), region)


def nonzero_fill(contours: Sequence[Floats]) -> shapely.MultiPolygon:
    """Return what closed contours enclose under the non-zero rule.

    The contours are cut at all their crossings, the faces found, and the winding number of each
    face is counted at a point inside it.
    """
    lines = [shapely.LineString(np.vstack([c, c[:1]])) for c in contours if len(c) > 2]
    faces = shapely.get_parts(shapely.polygonize([shapely.unary_union(lines)]))
    inside = shapely.get_coordinates(shapely.point_on_surface(faces))
    winding = np.zeros(len(faces), dtype=int)
    for contour in contours:
        winding += winding_number(contour, inside)
    filled = shapely.union_all(faces[winding != 0])
    return shapely.MultiPolygon([p for p in shapely.get_parts(filled) if p.area > 0])


def winding_number(ring: Floats, points: Floats) -> NDArray[np.int64]:
    """Return how often a closed ring winds about each point, by crossings of a ray to the right."""
    a, b = ring, np.roll(ring, -1, axis=0)
    up = (a[:, 1] <= points[:, 1:]) & (b[:, 1] > points[:, 1:])
    down = (a[:, 1] > points[:, 1:]) & (b[:, 1] <= points[:, 1:])
    side = (b[:, 0] - a[:, 0]) * (points[:, 1:] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (
        points[:, :1] - a[:, 0]
    )
    ups, downs = np.sum(up & (side > 0), axis=1), np.sum(down & (side < 0), axis=1)
    winding: NDArray[np.int64] = ups - downs
    return winding


class _MarkedArc(EllipticalArc):  # type: ignore[misc] # fontTools has no types
    """Keeps the cubics that stand for one SVG arc under one number."""

    def draw(self, pen: Any) -> None:
        pen.in_arc = True
        pen.number += 1
        pen.kinds.append("arc")
        super().draw(pen)
        pen.in_arc = False


class _Flattener:
    """A pen that turns path commands into contours of points with the number of their segment."""

    def __init__(self, scale: float, origin: complex) -> None:
        self.scale, self.origin = scale, origin
        self.contours: list[tuple[Floats, NDArray[np.int64]]] = []
        self.kinds: list[str] = []
        self.number = -1
        self.in_arc = False
        self._points: list[NDArray[np.complex128]] = []
        self._labels: list[NDArray[np.int64]] = []
        self._at = self._first = 0j

    def _map(self, point: tuple[float, float]) -> complex:
        return (complex(*point) - self.origin) * self.scale

    def _add(self, points: NDArray[np.complex128], end: complex, kind: str) -> None:
        """Take the points of a segment, its start included and its end left out."""
        if not self.in_arc:
            self.number += 1
            self.kinds.append(kind)
        self._points.append(points)
        self._labels.append(np.full(len(points), self.number))
        self._at = end

    def moveTo(self, point: tuple[float, float]) -> None:  # noqa: N802 - a pen's interface
        self.closePath()
        self._at = self._first = self._map(point)

    def lineTo(self, point: tuple[float, float]) -> None:  # noqa: N802 - names of the pen protocol
        end = self._map(point)
        if abs(end - self._at) > 0:
            self._add(np.array([self._at]), end, "line")

    def curveTo(self, *points: tuple[float, float]) -> None:  # noqa: N802 - names of the pen protocol
        a, b, c = map(self._map, points)
        p = np.array([self._at, a, b, c])
        if np.ptp(p.real) + np.ptp(p.imag) > 0:
            self._add(flatten_cubic(p), c, "curve")

    def qCurveTo(self, *points: tuple[float, float]) -> None:  # noqa: N802 - names of the pen protocol
        *controls, end = map(self._map, points)
        ons = [(a + b) / 2 for a, b in pairwise(controls)]
        for q, on in zip(controls, [*ons, end], strict=True):
            start = self._at
            self._add(
                flatten_cubic(
                    np.array([start, start + 2 / 3 * (q - start), on + 2 / 3 * (q - on), on])
                ),
                on,
                "curve",
            )

    def closePath(self) -> None:  # noqa: N802 - names of the pen protocol
        if self._points:
            if abs(self._at - self._first) > 1e-9:
                self._add(np.array([self._at]), self._first, "line")
            z = np.concatenate(self._points)
            labels = np.concatenate(self._labels)
            keep = np.abs(np.roll(z, -1) - z) > 1e-9
            z, labels = z[keep], labels[keep]
            if len(z) > 2:
                self.contours.append((np.column_stack([z.real, z.imag]), labels))
        self._points, self._labels = [], []
        self._at = self._first

    endPath = closePath  # noqa: N815 - names of the pen protocol


def flatten_cubic(
    p: NDArray[np.complex128], flatness: float = FLATNESS_PX
) -> NDArray[np.complex128]:
    """Return points of a cubic with chords within `flatness`, its end left out."""
    bend = max(abs(p[0] - 2 * p[1] + p[2]), abs(p[1] - 2 * p[2] + p[3]))
    n = max(1, int(np.ceil(np.sqrt(6 * bend / (8 * flatness)))))
    t = np.arange(n) / n
    s = 1 - t
    points: NDArray[np.complex128] = (
        s**3 * p[0] + 3 * s**2 * t * p[1] + 3 * s * t**2 * p[2] + t**3 * p[3]
    )
    return points


def _joints(labels: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the vertices at which a ring goes from one segment to another."""
    return np.flatnonzero(labels != np.roll(labels, 1))


def turns(ring: Floats) -> Floats:
    """Return the signed turn at each vertex of a closed ring in degrees."""
    z = ring[:, 0] + 1j * ring[:, 1]
    step = np.roll(z, -1) - z
    turn: Floats = np.degrees(np.angle(step / np.roll(step, 1)))
    return turn


def _clear_corners(ring: Floats, labels: NDArray[np.int64]) -> Corners:
    turn = np.abs(turns(ring))
    length = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    along = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    around = length.sum()
    seen = np.flatnonzero(turn >= VISIBLE_DEG)
    if len(seen) < 2:
        found = seen[turn[seen] >= CORNER_DEG]
        return Corners(ring[found], turn[found])
    gap = np.diff(along[seen], append=along[seen[0]] + around)
    clear = (gap >= CLEAR_PX) & (np.roll(gap, 1) >= CLEAR_PX)
    joint = np.isin(seen, _joints(labels))
    found = seen[clear & joint & (turn[seen] >= CORNER_DEG)]
    return Corners(ring[found], turn[found])


def _any_turn(ring: Floats) -> Corners:
    """Return vertices that turn visibly, or about which the outline turns much in a pixel."""
    turn = turns(ring)
    length = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    along = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    around = length.sum()
    total = np.concatenate([[0.0], np.cumsum(np.tile(turn, 3))])
    where = np.concatenate([along - around, along, along + around])
    first = np.searchsorted(where, along - 0.5, side="left")
    last = np.searchsorted(where, along + 0.5, side="right")
    window = np.abs(total[last] - total[first])
    found = (np.abs(turn) >= VISIBLE_DEG) | (window >= TIGHT_DEG)
    return Corners(ring[found], np.maximum(np.abs(turn), window)[found])


def _merge(parts: Sequence[Corners]) -> Corners:
    return Corners(
        np.concatenate([np.empty((0, 2)), *(c.points for c in parts)]),
        np.concatenate([np.empty(0), *(c.turns for c in parts)]),
    )
