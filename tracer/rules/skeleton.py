"""The centre lines of metal and mould between the two sides that face each other.

Built from the Delaunay triangulation of points along the boundary: the centre of each triangle is
the centre of a disc inscribed in metal or in mould, and neighbouring triangles are neighbours
along the centre line (Blum, "A transformation for extracting new descriptors of shape", 1967;
Attali, Boissonnat and Edelsbrunner, "Stability and computation of medial axes", 2009). Widths are
measured from the centre to the sides themselves, not to the sample points, so that their spacing
cancels out to first order.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from tracer.model import Region

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_ROUNDS = 5
_MOST_PARTS = 8
_MOST_POINTS = 150_000
_FLAT = 1e-9
"""Height over length under which a triangle is three points of one straight side, set apart by the
rounding of their coordinates: its circle is as large as that rounding makes it, and on no side."""
_FACING = 0.86
"""Sine of half the angle between the two contacts from which on sides face each other: 60 degrees,
the sharpest corner that counts as one, less one degree of noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Skeleton:
    """Inscribed discs and how they hang together, of both sides of an outline.

    Node k is a disc about `centre[k]` of radius `half[k]` (half the local width, mm), within the
    ink where `inside[k]`. `body[k]` numbers the piece or opening it lies in; `ground` is the number
    of the open ground. `corners` (N, 3) are the boundary points of the triangle, -1 where the node
    is the narrow middle between two triangles. `end` is the point where a branch runs out.
    """

    point: Complex
    after: Ints  # of each boundary point the next one
    centre: Complex
    half: Floats
    inside: Bools
    facing: Bools
    body: Ints
    ground: int
    area: Floats
    corners: Ints
    end: Complex  # nan where the node is no end
    link: Ints  # (L, 2)


def _empty() -> Skeleton:
    none, places = np.zeros(0), np.zeros(0, dtype=complex)
    numbers, flags = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    return Skeleton(
        point=places, after=numbers, centre=places, half=none, inside=flags, facing=flags,
        body=numbers, ground=-1, area=none, corners=numbers.reshape(0, 3), end=places,
        link=numbers.reshape(0, 2),
    )  # fmt: skip


EMPTY = _empty()
"""Of a region without any ink."""


def skeleton(region: Region, spacing: float, tolerance: float) -> Skeleton:
    """Return the skeleton of a region, its boundary sampled every `spacing` mm or closer.

    The boundary is simplified by `tolerance` first. Samples are put closer where the two sides are
    nearer than the spacing, in at most five rounds.
    """
    plain = shapely.simplify(region, tolerance, preserve_topology=True)
    point, after = _samples(plain, spacing)
    triangles = _delaunay(point)
    for _ in range(_ROUNDS):
        parts = _wanted_parts(point, after, triangles, tolerance)
        if (parts == 1).all() or parts.sum() > _MOST_POINTS:
            break
        point, after = _split(point, after, parts)
        triangles = _delaunay(point)
    if not _has_both_sides(after, triangles):
        triangles = _by_qhull(point)
    return _build(point, after, triangles)


def finer_at(axis: Skeleton, nodes: Ints, spacing: float) -> Skeleton:
    """Return a skeleton with samples `spacing` mm apart or closer along the sides of some nodes."""
    corners = axis.corners[nodes]
    beside = np.zeros(len(axis.point), dtype=bool)
    beside[corners[corners >= 0]] = True
    parts = _parts(np.abs(axis.point[axis.after] - axis.point), spacing)
    point, after = _split(axis.point, axis.after, np.where(beside & beside[axis.after], parts, 1))
    triangles = _delaunay(point)
    if not _has_both_sides(after, triangles):
        triangles = _by_qhull(point)
    return _build(point, after, triangles)


def components(count: int, a: Ints, b: Ints) -> Ints:
    """Return for each of `count` nodes the smallest node that it is linked to, over any path."""
    root = np.arange(count)
    while True:
        ra, rb = root[a], root[b]
        apart = ra != rb
        if not apart.any():
            return root
        a, b, ra, rb = a[apart], b[apart], ra[apart], rb[apart]
        np.minimum.at(root, np.maximum(ra, rb), np.minimum(ra, rb))
        while True:
            higher = root[root]
            if (higher == root).all():
                break
            root = higher


def _samples(region: Region, spacing: float) -> tuple[Complex, Ints]:
    """Return the boundary points and for each the next one, ink on the left."""
    rings = shapely.get_rings(shapely.orient_polygons(shapely.get_parts(region)))
    coordinates, ring = shapely.get_coordinates(
        shapely.segmentize(rings, spacing), return_index=True
    )
    z = coordinates[:, 0] + 1j * coordinates[:, 1]
    last = np.flatnonzero(np.append(ring[1:] != ring[:-1], True))
    keep = np.ones(len(z), dtype=bool)
    keep[last] = False
    z, ring = z[keep], ring[keep]
    after = np.arange(1, len(z) + 1)
    first = np.flatnonzero(np.append(True, ring[1:] != ring[:-1]))
    after[np.append(first[1:], len(z)) - 1] = first
    return z, after


def _frame(point: Complex) -> Complex:
    """Return twelve points far around, so that the open ground is open."""
    low = complex(point.real.min(), point.imag.min())
    high = complex(point.real.max(), point.imag.max())
    reach = 3 * abs(high - low) + 1
    frame: Complex = (low + high) / 2 + reach * np.exp(2j * np.pi * (np.arange(12) + 0.37) / 12)
    return frame


def _delaunay(point: Complex) -> Ints:
    """Return triangles (T, 3) counter-clockwise; indices from len(point) on are the frame."""
    every = np.concatenate([point, _frame(point)])
    coordinates = np.column_stack([every.real, every.imag])
    try:
        found = shapely.delaunay_triangles(shapely.multipoints(coordinates))
    except shapely.GEOSException:
        return _by_qhull(point)
    corner = shapely.get_coordinates(found).reshape(-1, 4, 2)[:, :3]
    place = corner[..., 0] + 1j * corner[..., 1]
    order = np.argsort(every, kind="stable")
    return _with_height(every, order[np.searchsorted(every[order], place)])


def _by_qhull(point: Complex) -> Ints:
    """Return the same by Qhull, which loads slowly.

    GEOS is lost among points that all but coincide; and where many lie on one straight side it may
    take all of them but its ends for points within that side, with no triangle on one hand.
    """
    from scipy.spatial import Delaunay  # type: ignore[import-untyped] # SciPy has no types

    every = np.concatenate([point, _frame(point)])
    found = Delaunay(np.column_stack([every.real, every.imag])).simplices
    return _with_height(every, np.asarray(found, dtype=np.int64))


def _with_height(every: Complex, index: Ints) -> Ints:
    """Return the triangles that have a height, counter-clockwise."""
    p = every[index]
    cross = (np.conj(p[:, 1] - p[:, 0]) * (p[:, 2] - p[:, 0])).imag
    index[cross < 0] = index[cross < 0][:, ::-1]
    longest = np.abs(np.roll(p, -1, axis=1) - p).max(axis=1)
    triangles: Ints = index[np.abs(cross) > _FLAT * longest**2]
    return triangles


def _has_both_sides(after: Ints, triangles: Ints) -> bool:
    """Tell whether a boundary edge with a triangle on one hand always has one on the other.

    One without any is no edge of the triangulation: what it faces is nearer than its ends are to
    each other.
    """
    size = triangles.max(initial=len(after)) + 1
    edges = triangles.ravel() * size + np.roll(triangles, -1, axis=1).ravel()
    one = np.arange(len(after)) * size + after
    other = after * size + np.arange(len(after))
    return bool((np.isin(one, edges) == np.isin(other, edges)).all())


def _wanted_parts(point: Complex, after: Ints, triangles: Ints, floor: float) -> Ints:
    """Return into how many parts each boundary edge is to be divided.

    Those are divided that are no edge of the triangulation, or longer than what they face.
    """
    n = len(point)
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    every = np.concatenate([point, _frame(point)])
    _, radius = _circles(every[triangles])
    size = np.abs(point[after] - point)
    forward = (start < n) & (after[np.minimum(start, n - 1)] == end)
    backward = (end < n) & (after[np.minimum(end, n - 1)] == start)
    # a triangle in a corner is as small as the edges that make it, however short they are
    in_corner = (forward | backward).reshape(-1, 3).sum(axis=1) > 1
    radius = np.where(in_corner, np.inf, radius)
    missing = np.ones(n, dtype=bool)
    missing[start[forward]] = False
    smallest = np.full(n, np.inf)
    radii = np.repeat(radius, 3)
    np.minimum.at(smallest, start[forward], radii[forward])
    np.minimum.at(smallest, end[backward], radii[backward])
    parts = np.maximum(_parts(size, np.maximum(smallest / 0.75, floor)), np.where(missing, 2, 1))
    return np.where(size > max(floor, 1e-3), np.minimum(parts, _MOST_PARTS), 1)


def _parts(size: Floats, longest: Floats | float) -> Ints:
    """Return the power of two that divides each edge into parts of at most `longest`."""
    return 2 ** np.ceil(np.log2(np.maximum(size / longest, 1))).astype(np.int64)


def _split(point: Complex, after: Ints, parts: Ints) -> tuple[Complex, Ints]:
    """Return the boundary with each edge divided into equal parts."""
    index = np.flatnonzero(parts > 1)
    each = parts[index] - 1
    edge = np.repeat(index, each)
    first = len(point) + np.cumsum(each) - each
    fresh = len(point) + np.arange(len(edge))
    share = (fresh - np.repeat(first, each) + 1) / parts[edge]
    following = np.concatenate([after, fresh + 1])
    following[first + each - 1] = after[index]
    following[index] = first
    return np.concatenate(
        [point, point[edge] + share * (point[after[edge]] - point[edge])]
    ), following


def _circles(p: Complex) -> tuple[Complex, Floats]:
    b, c = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    cross = (np.conj(b) * c).imag
    offset = 1j * (b * np.abs(c) ** 2 - c * np.abs(b) ** 2) / (2 * cross)
    return p[:, 0] + offset, np.abs(offset)


class _Sides:
    """Distances from any place to the boundary at given boundary points."""

    def __init__(self, point: Complex, after: Ints) -> None:
        before = np.empty_like(after)
        before[after] = np.arange(len(after))
        self.point, self.before, self.after = point, point[before], point[after]

    def foot(self, place: Complex, index: Ints) -> Complex:
        """Return the nearest place on the two boundary edges at point `index`."""
        p = self.point[index]
        one, two = _foot(place, p, self.before[index]), _foot(place, p, self.after[index])
        nearer: Complex = np.where(np.abs(place - one) <= np.abs(place - two), one, two)
        return nearer


def _foot(place: Complex, a: Complex, b: Complex) -> Complex:
    d = b - a
    size = np.abs(d) ** 2
    t = np.clip((np.conj(d) * (place - a)).real / np.where(size > 0, size, 1), 0, 1)
    foot: Complex = a + t * d
    return foot


def _between(sides: _Sides, place: Complex, p: Ints, q: Ints) -> tuple[Complex, Floats, Bools]:
    """Return the middle between the sides at `p` and `q` next to `place`, half the width there.

    Last: whether the sides face each other, by the angle between the nearest places on them.
    """
    one, two = sides.foot(place, p) - place, sides.foot(place, q) - place
    near, far = np.abs(one), np.abs(two)
    half = (near + far) / 2
    apart = two * np.where(far > 0, near / np.where(far > 0, far, 1), 1) - one
    facing: Bools = np.abs(apart) >= 2 * _FACING * near
    across = two - one
    size = np.abs(across)
    shift = (far - near) / 2 * across / np.where(size > 0, size, 1)
    middle: Complex = place + np.where(facing, shift, 0)
    return middle, half, facing


def _build(point: Complex, after: Ints, triangles: Ints) -> Skeleton:
    n, count = len(point), len(triangles)
    every = np.concatenate([point, _frame(point)])
    corners = every[triangles]
    centre, radius = _circles(corners)
    framed = np.asarray((triangles >= n).any(axis=1), dtype=bool)
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    forward = (start < n) & (after[np.minimum(start, n - 1)] == end)
    backward = (end < n) & (after[np.minimum(end, n - 1)] == start)
    edge = forward | backward
    opposite = _opposites(start, end, len(every))
    half_edge = np.flatnonzero((opposite > np.arange(3 * count)) & ~edge)
    a, b = half_edge // 3, opposite[half_edge] // 3
    p, q = start[half_edge], end[half_edge]
    body = components(count, a, b)
    inside = _insides(forward, backward, body, count)
    sides = _Sides(point, after)
    # a triangle lies between the ends of its longest side where those face each other
    lengths = np.abs(corners - np.roll(corners, -1, axis=1))
    longest = lengths.argmax(axis=1)
    row = np.arange(count)
    tp, tq = triangles[row, longest], triangles[row, (longest + 1) % 3]
    near = np.where(framed[:, None], 0, triangles)
    feet = sides.foot(np.repeat(centre[:, None], 3, axis=1), near)
    half = np.where(framed, np.inf, np.abs(feet - centre[:, None]).min(axis=1))
    acute = lengths[row, longest] ** 2 < (lengths**2).sum(axis=1) / 2 * (1 + 1e-9)
    facing = (lengths[row, longest] >= 2 * _FACING * radius) & ~framed & acute
    opposed = np.flatnonzero(facing)
    moved, between, facing[opposed] = _between(sides, centre[opposed], tp[opposed], tq[opposed])
    half[opposed] = np.where(facing[opposed], between, half[opposed])
    centre[opposed] = moved
    # the narrow middle between two triangles whose centres lie on either side of their edge
    across = every[q] - every[p]
    middle = (every[p] + every[q]) / 2
    side_a = (np.conj(across) * (centre[a] - middle)).imag
    side_b = (np.conj(across) * (centre[b] - middle)).imag
    narrow = (side_a * side_b < 0) & (p < n) & (q < n)
    mid, mid_half, mid_facing = _between(sides, middle[narrow], p[narrow], q[narrow])
    extra = count + np.arange(narrow.sum())
    link = np.concatenate(
        [
            np.column_stack([a[~narrow], b[~narrow]]),
            np.column_stack([a[narrow], extra]),
            np.column_stack([extra, b[narrow]]),
        ]
    )
    area = (
        np.abs((np.conj(corners[:, 1] - corners[:, 0]) * (corners[:, 2] - corners[:, 0])).imag) / 2
    )
    outermost = np.flatnonzero(framed)
    return Skeleton(
        point=point,
        after=after,
        centre=np.concatenate([centre, mid]),
        half=np.concatenate([half, mid_half]),
        inside=np.concatenate([inside, inside[a[narrow]]]),
        facing=np.concatenate([facing, mid_facing]),
        body=np.concatenate([body, body[a[narrow]]]),
        ground=int(body[outermost[0]]),
        area=np.concatenate([np.where(framed, 0, area), np.zeros(len(extra))]),
        corners=np.concatenate(
            [np.where(framed[:, None], -1, triangles), np.full((len(extra), 3), -1)]
        ),
        end=np.concatenate([_ends(edge, triangles, every), np.full(len(extra), np.nan + 0j)]),
        link=link,
    )


def _opposites(start: Ints, end: Ints, size: int) -> Ints:
    key, reverse = start * size + end, end * size + start
    order = np.argsort(key)
    place = np.minimum(np.searchsorted(key, reverse, sorter=order), len(key) - 1)
    found = order[place]
    opposite: Ints = np.where(key[found] == reverse, found, -1)
    return opposite


def _insides(forward: Bools, backward: Bools, body: Ints, count: int) -> Bools:
    """Tell which triangles lie in the ink: bodies with more edges that have the ink on the left."""
    weight = forward.astype(np.int64) - backward.astype(np.int64)
    votes = np.bincount(np.repeat(body, 3), weights=weight, minlength=count)
    inside: Bools = votes[body] > 0
    return inside


def _ends(edge: Bools, triangles: Ints, every: Complex) -> Complex:
    """Return the corner between two boundary edges of a triangle, nan where it has fewer."""
    by_triangle = edge.reshape(-1, 3)
    ends = np.full(len(triangles), np.nan + 0j)
    for k in range(3):
        both = by_triangle[:, k] & by_triangle[:, k - 1]
        ends[both] = every[triangles[both, k]]
    return ends


def outline_of(axis: Skeleton, nodes: Ints) -> BaseGeometry:
    """Return the part of the plane that the triangles of some nodes cover.

    They share their corners and do not overlap, so that it is enough to leave out shared edges.
    """
    corners = axis.corners[nodes]
    corners = corners[(corners >= 0).all(axis=1)]
    if not len(corners):  # a pinch between two wide places has a width, but no length
        centres = shapely.points(axis.centre[nodes].real, axis.centre[nodes].imag)
        return shapely.unary_union(shapely.buffer(centres, np.maximum(axis.half[nodes], 1e-3)))
    p = axis.point[corners]
    rings = np.stack([p.real, p.imag], axis=-1)
    return shapely.coverage_union_all(shapely.polygons(rings))


def centre_line(axis: Skeleton, nodes: Ints, tolerance: float) -> BaseGeometry:
    """Return the lines and points through the centres of some nodes that are linked."""
    chosen = np.zeros(len(axis.half), dtype=bool)
    chosen[nodes] = True
    links = axis.link[chosen[axis.link].all(axis=1)]
    alone = chosen.copy()
    alone[links.ravel()] = False
    pairs: Complex = axis.centre[links]
    parts: list[Any] = []
    if len(links):
        lines: Any = shapely.linestrings(np.stack([pairs.real, pairs.imag], axis=-1))
        merged = shapely.line_merge(shapely.multilinestrings(lines))
        parts.append(shapely.simplify(merged, tolerance))
    single = axis.centre[alone]
    lonely: Any = shapely.points(single.real, single.imag)
    parts.extend(lonely)
    return shapely.GeometryCollection(parts)
