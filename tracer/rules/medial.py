"""The medial axis of a drawing: inscribed discs of metal and mould, and how they hang together.

Built from the Delaunay triangulation of boundary samples. Each triangle on one side of the
outline gives the centre of a disc that is inscribed in that side; triangles that share an edge
are neighbours on the medial axis (Amenta, Choi and Kolluri, "The power crust, unions of balls, and
the medial axis transform", Computational Geometry 19, 2001, adapted: instead of taking the sample
discs as they are, each centre is moved onto the bisector of the two sides it lies between and its
radius measured to the sides themselves, so that the spacing of the samples cancels out).

Shares no code with the repair, which works by erosion and dilation of polygons.
"""

import cmath
import itertools
import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.path import Drawing
from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment

FLATNESS_MM = 0.001
"""The polygon of samples stays this near to the curves."""
CORNER_RAD = math.radians(20)
"""A joint that turns more is a corner: samples crowd towards it."""
GRADING = 0.7
MOST_SAMPLES = 200_000
MOST_ROUNDS = 5
FRAME_POINTS = 16
FRAME_REACH = 100
"""Of the drawing: so far away that discs in the open ground count as without end."""

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Points on the boundary of a drawing, ring by ring, metal on the left.

    Sample k lies on segment `segment[k]` at `t[k]`; the chord from it to sample `after[k]` spans
    `t[k]` to `t_end[k]` of the same segment.
    """

    point: ComplexArray
    segment: IntArray
    t: FloatArray
    t_end: FloatArray
    ring: IntArray
    before: IntArray
    after: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """The medial axis of one side, metal or mould.

    `radius[i]` is the radius of the largest disc about `centre[i]` in that side, measured to the
    three parts of the boundary nearest to it, many times the drawing in the open ground.
    Neighbours `link[e]` are joined through a passage of half width `pass_radius[e]` at
    `pass_at[e]`. `end_point[k]` is a sample in a convex corner or round end, `end_node[k]` the node
    next to it.
    """

    centre: ComplexArray
    radius: FloatArray
    rings: IntArray  # (N, 3), the rings that the disc touches, -1: the frame around everything
    link: IntArray  # (E, 2)
    pass_radius: FloatArray
    pass_at: ComplexArray
    end_point: ComplexArray
    end_node: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Medial:
    """Both medial axes of a drawing and what they were measured on.

    `pieces` are the numbers of the outer rings and the area within each less its holes; `holes`
    those of the holes and the area of each less the pieces within.
    """

    inside: Axis
    outside: Axis
    region: shapely.MultiPolygon
    pieces: tuple[tuple[int, float], ...]
    holes: tuple[tuple[int, float], ...]


def medial_axes(drawing: Drawing, coarse_mm: float, fine_mm: float) -> Medial:
    """Return the medial axes of both sides of the outline of a drawing.

    Samples are `coarse_mm` apart on long sides, `fine_mm` where the side opposite is nearer than
    about twelve times that, and closer still wherever a passage is narrower than the spacing.
    """
    curves = _Curves([s for path in drawing.paths for s in path.segments])
    lengths = [len(path.segments) for path in drawing.paths]
    samples = _first_samples(drawing, lengths, coarse_mm, fine_mm, curves)
    for _ in range(MOST_ROUNDS):
        mesh = _Mesh(samples)
        parts = mesh.wanted_parts(fine_mm)
        if (parts == 1).all() or len(parts) + parts.sum() > MOST_SAMPLES:
            break
        samples = _refined(samples, parts, curves)
    else:
        mesh = _Mesh(samples)
    region = _region(drawing, mesh.samples)
    pieces, holes = _rings(drawing, mesh.samples)
    inside = mesh.is_inside(region)
    return Medial(mesh.axis(inside), mesh.axis(~inside), region, pieces, holes)


class _Curves:
    """Segments as arrays, to evaluate many at once."""

    def __init__(self, segments: list[Segment]) -> None:
        self.power = np.zeros((4, len(segments)), dtype=complex)  # power basis of lines and cubics
        self.spoke = np.zeros(len(segments), dtype=complex)  # arcs: start seen from the centre
        self.sweep = np.zeros(len(segments))
        for k, segment in enumerate(segments):
            match segment:
                case Line(start=p, end=q):
                    self.power[:2, k] = p, q - p
                case Cubic(start=p, control1=c1, control2=c2, end=q):
                    self.power[:, k] = (
                        p, 3 * (c1 - p), 3 * (c2 - 2 * c1 + p), q - 3 * c2 + 3 * c1 - p
                    )  # fmt: skip
                case Arc(start=p, sweep=sweep):
                    self.power[0, k] = segment.centre
                    self.spoke[k], self.sweep[k] = p - segment.centre, sweep

    def at(self, k: IntArray, t: FloatArray) -> ComplexArray:
        """Return the point at `t` of segment `k`, for arrays of both."""
        a, b, c, d = self.power[:, k]
        found: ComplexArray = (
            a + t * (b + t * (c + t * d)) + self.spoke[k] * np.exp(1j * self.sweep[k] * t)
        )
        return found


def _first_samples(
    drawing: Drawing, lengths: list[int], coarse: float, fine: float, curves: _Curves
) -> Samples:
    parameters = []
    for path in drawing.paths:
        turns = [
            abs(cmath.phase(s.start_tangent / path.segments[k - 1].end_tangent)) > CORNER_RAD
            for k, s in enumerate(path.segments)
        ]
        turns.append(turns[0])
        parameters += [
            _spaced(segment, coarse, fine, corner_before=turns[k], corner_after=turns[k + 1])
            for k, segment in enumerate(path.segments)
        ]
    counts = np.array([len(t) for t in parameters])
    segment = np.repeat(np.arange(len(parameters)), counts)
    ring = np.repeat(np.repeat(np.arange(len(lengths)), lengths), counts)
    t = np.concatenate(parameters)
    return _samples(segment, t, ring, curves)


def _samples(segment: IntArray, t: FloatArray, ring: IntArray, curves: _Curves) -> Samples:
    index = np.arange(len(t))
    first = np.flatnonzero(np.diff(ring, prepend=-1))
    last = np.append(first[1:], len(t)) - 1
    before, after = index - 1, index + 1
    before[first], after[last] = last, first
    t_end = np.where(t[after] == 0, 1.0, t[after])
    return Samples(curves.at(segment, t), segment, t, t_end, ring, before, after)


def _spaced(
    segment: Segment, coarse: float, fine: float, *, corner_before: bool, corner_after: bool
) -> FloatArray:
    """Return parameters in [0, 1), evenly spaced, crowded towards corners."""
    length = segment.length
    count = length / coarse
    match segment:
        case Arc():
            flat = math.sqrt(8 * FLATNESS_MM / segment.radius)  # sagitta r (1 - cos(a / 2))
            count = max(count, abs(segment.sweep) / min(flat, math.pi / 8))
        case Cubic(start=p, control1=c1, control2=c2, end=q):
            bend = 6 * max(abs(p - 2 * c1 + c2), abs(c1 - 2 * c2 + q))
            count = max(count, math.sqrt(bend / (8 * FLATNESS_MM)), 4)
        case Line():
            pass
    n = max(1, math.ceil(count - 1e-9))
    even = np.arange(n) / n
    if not (corner_before or corner_after):
        return even
    # geometric steps from the first even one down to a thirty-second of the fine spacing
    steps = math.ceil(math.log(min(1.0, fine / 32 / (length / n)) + 1e-300) / math.log(GRADING))
    near = GRADING ** np.arange(1, min(steps, 60) + 1) / n
    if n == 1:  # both ends crowd the same span
        near = near[near < 0.5 if corner_before and corner_after else near < 1]
    parts = [even]
    if corner_before:
        parts.append(near)
    if corner_after:
        parts.append(1 - near)
    merged: FloatArray = np.unique(np.concatenate(parts))
    return merged


def _refined(samples: Samples, parts: IntArray, curves: _Curves) -> Samples:
    """Return the samples with chord k divided into `parts[k]`."""
    index = np.repeat(np.arange(len(parts)), parts)
    step = np.arange(len(index)) - np.repeat(np.cumsum(parts) - parts, parts)
    t = samples.t[index] + step / parts[index] * (samples.t_end - samples.t)[index]
    return _samples(samples.segment[index], t, samples.ring[index], curves)


class _Mesh:
    """The Delaunay triangulation of samples and of a wide frame around them."""

    def __init__(self, samples: Samples) -> None:
        self.samples = samples
        n = len(samples.point)
        self.count = n
        middle = (samples.point.real.min() + samples.point.real.max()) / 2 + 0.5j * (
            samples.point.imag.min() + samples.point.imag.max()
        )
        reach = FRAME_REACH * float(np.abs(samples.point - middle).max())
        frame = middle + reach * np.exp(2j * np.pi * (np.arange(FRAME_POINTS) + 0.3) / FRAME_POINTS)
        self.point = np.concatenate([samples.point, frame])
        alone = np.arange(n, n + FRAME_POINTS)
        self.before = np.concatenate([samples.before, alone])
        self.after = np.concatenate([samples.after, alone])
        self.ring = np.concatenate([samples.ring, np.full(FRAME_POINTS, -1)])
        self.triangles = _delaunay(self.point)
        self._find_sides()
        self._find_centres()

    def _find_sides(self) -> None:
        """Tell for each half edge whether it runs along the boundary, and its opposite."""
        start = self.triangles.ravel()
        end = np.roll(self.triangles, -1, axis=1).ravel()
        self.with_boundary = self.after[start] == end
        self.against_boundary = self.after[end] == start
        self.with_boundary &= start < self.count
        self.against_boundary &= end < self.count
        size = len(self.point)
        key, opposite = start * size + end, end * size + start
        order = np.argsort(key)
        place = np.searchsorted(key[order], opposite)
        place[place == len(key)] = 0
        found = order[place]
        self.opposite = np.where(key[found] == opposite, found, -1)
        self.start, self.end = start, end

    def _find_centres(self) -> None:
        """Centre and radius of the disc of each triangle, on the bisector of two sides."""
        centre = _circumcentres(self.point[self.triangles])
        radius, feet, distances = self._clearance(centre)
        moved = _towards_bisector(centre, feet, distances)
        moved_radius, _, _ = self._clearance(moved)
        better = moved_radius > radius
        self.centre = np.where(better, moved, centre)
        self.radius = np.where(better, moved_radius, radius)

    def _clearance(self, centre: ComplexArray) -> tuple[FloatArray, ComplexArray, FloatArray]:
        """Return the distance to the chords at each triangle's corners, the feet, all distances."""
        feet, distances = self._nearest(centre[:, None], self.triangles)
        return distances.min(axis=1), feet, distances

    def _nearest(self, place: ComplexArray, sample: IntArray) -> tuple[ComplexArray, FloatArray]:
        """Return the nearest point on the two chords at each sample, and its distance."""
        p = self.point[sample]
        one = _foot(place, self.point[self.before[sample]], p)
        two = _foot(place, p, self.point[self.after[sample]])
        first, second = np.abs(place - one), np.abs(place - two)
        return np.where(first <= second, one, two), np.minimum(first, second)

    def wanted_parts(self, fine: float) -> IntArray:
        """Return for each chord into how many parts it should be divided."""
        chord = np.abs(self.point[self.after[: self.count]] - self.point[: self.count])
        parts = np.ones(self.count, dtype=np.int64)
        present = np.zeros(self.count, dtype=bool)
        present[self.start[self.with_boundary]] = True
        missing = ~present & (chord > fine / 256)
        parts[missing] = 2
        radius = np.repeat(self.radius, 3)
        for half, sample in (
            (self.with_boundary, self.start),
            (self.against_boundary, self.end),
        ):
            nearest = np.full(self.count, np.inf)
            np.minimum.at(nearest, sample[half], radius[half])
            close = (nearest < 6.5 * fine) & (chord > fine * 1.01)
            parts[close] = np.maximum(parts[close], np.ceil(chord[close] / fine).astype(np.int64))
        return parts

    def axis(self, inside: BoolArray) -> Axis:
        """Return the medial axis of the side that holds the chosen triangles."""
        node = np.cumsum(inside) - 1
        triangle = np.arange(3 * len(self.triangles)) // 3
        other = np.where(self.opposite >= 0, self.opposite // 3, 0)
        linked = (self.opposite > np.arange(len(self.opposite))) & inside[triangle] & inside[other]
        linked &= ~(self.with_boundary | self.against_boundary)
        half = np.flatnonzero(linked)
        a, b = triangle[half], other[half]
        pass_radius, pass_at = self._passages(half, a, b)
        sides = (self.with_boundary | self.against_boundary).reshape(-1, 3)
        ends = np.flatnonzero(inside & (sides.sum(axis=1) == 2))
        # the corner between the two boundary edges starts the edge that follows the first of them
        corner = np.where(sides[ends, 0] & sides[ends, 1], 1, np.where(sides[ends, 0], 0, 2))
        return Axis(
            centre=self.centre[inside],
            radius=self.radius[inside],
            rings=self.ring[self.triangles[inside]],
            link=np.column_stack([node[a], node[b]]),
            pass_radius=pass_radius,
            pass_at=pass_at,
            end_point=self.point[self.triangles[ends, corner]],
            end_node=node[ends],
        )

    def _passages(
        self, half: IntArray, a: IntArray, b: IntArray
    ) -> tuple[FloatArray, ComplexArray]:
        """Return half width and place of the narrowest point between neighbours.

        Where the two centres lie on either side of the edge between the triangles, the narrowest
        point is the middle of that edge (a Gabriel edge); else it is the smaller disc.
        """
        start, end = self.start[half], self.end[half]
        middle = (self.point[start] + self.point[end]) / 2
        along = self.point[end] - self.point[start]
        side_a = ((self.centre[a] - middle) * np.conj(along)).imag
        side_b = ((self.centre[b] - middle) * np.conj(along)).imag
        _, distance = self._nearest(middle[:, None], np.column_stack([start, end]))
        smaller = np.minimum(self.radius[a], self.radius[b])
        saddle = np.where(side_a * side_b < 0, distance.min(axis=1), np.inf)
        at = np.where(self.radius[a] <= self.radius[b], self.centre[a], self.centre[b])
        return np.minimum(smaller, saddle), np.where(saddle < smaller, middle, at)

    def is_inside(self, region: shapely.MultiPolygon) -> BoolArray:
        """Tell for each triangle whether it lies within the shapes."""
        with_boundary = self.with_boundary.reshape(-1, 3).any(axis=1)
        against = self.against_boundary.reshape(-1, 3).any(axis=1)
        inside: BoolArray = with_boundary & ~against
        unknown = np.flatnonzero(with_boundary == against)
        if len(unknown):
            shapely.prepare(region)
            middle = self.point[self.triangles[unknown]].mean(axis=1)
            inside[unknown] = shapely.contains_xy(region, middle.real, middle.imag)
        return inside


def _region(drawing: Drawing, samples: Samples) -> shapely.MultiPolygon:
    """Return the polygons of the samples."""
    bounds = np.searchsorted(samples.ring, np.arange(samples.ring[-1] + 2))
    coordinates = np.column_stack([samples.point.real, samples.point.imag])
    rings = iter([coordinates[i:j] for i, j in itertools.pairwise(bounds)])
    return shapely.MultiPolygon(
        [
            shapely.Polygon(next(rings), [next(rings) for _ in shape.holes])
            for shape in drawing.shapes
        ]
    )


def _rings(
    drawing: Drawing, samples: Samples
) -> tuple[tuple[tuple[int, float], ...], tuple[tuple[int, float], ...]]:
    """Return the outer rings and the holes with the area that each encloses of its own."""
    pieces, holes = [], []
    first = np.searchsorted(samples.ring, np.arange(samples.ring[-1] + 1))
    number = 0
    for shape in drawing.shapes:
        pieces.append((number, sum(path.area for path in shape.paths)))
        for hole in shape.holes:
            number += 1
            holes.append((number, -hole.area))
        number += 1
    if holes and len(pieces) > 1:
        starts = samples.point[first[[n for n, _ in pieces]]]
        bounds = np.append(first, len(samples.point))
        for k, (n, area) in enumerate(holes):
            ring = samples.point[bounds[n] : bounds[n + 1]]
            polygon = shapely.Polygon(np.column_stack([ring.real, ring.imag]))
            within = shapely.contains_xy(polygon, starts.real, starts.imag)
            holes[k] = (n, area - sum(pieces[i][1] for i in np.flatnonzero(within)))
    return tuple(pieces), tuple(holes)


def _delaunay(point: ComplexArray) -> IntArray:
    """Return the Delaunay triangles of points as indices, (T, 3), counter-clockwise.

    Of points that coincide only one is used.
    """
    coordinates = np.column_stack([point.real, point.imag])
    found = shapely.delaunay_triangles(shapely.MultiPoint(coordinates))
    corners = shapely.get_coordinates(found).reshape(-1, 4, 2)[:, :3]
    seen = corners[..., 0] + 1j * corners[..., 1]
    order = np.argsort(point, kind="stable")
    index = order[np.searchsorted(point[order], seen)]
    p = point[index]
    turned = ((p[:, 1] - p[:, 0]) * np.conj(p[:, 2] - p[:, 0])).imag > 0
    index[turned] = index[turned][:, ::-1]
    return index.astype(np.int64)


def _circumcentres(p: ComplexArray) -> ComplexArray:
    b, c = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    cross = (np.conj(b) * c).imag
    flat = cross == 0
    offset = 1j * (b * np.abs(c) ** 2 - c * np.abs(b) ** 2) / (2 * np.where(flat, 1, cross))
    middle: ComplexArray = p.mean(axis=1)
    found: ComplexArray = np.where(flat, middle, p[:, 0] + offset)
    return found


def _foot(place: ComplexArray, a: ComplexArray, b: ComplexArray) -> ComplexArray:
    """Return the point of the chord from a to b nearest to a place."""
    d = b - a
    size = np.abs(d) ** 2
    t = np.clip(((place - a) * np.conj(d)).real / np.where(size == 0, 1, size), 0, 1)
    found: ComplexArray = a + t * d
    return found


def _towards_bisector(
    centre: ComplexArray, feet: ComplexArray, distances: FloatArray
) -> ComplexArray:
    """Move each centre away from the nearest side until the next side is as near.

    To first order: away from foot 1 by s the distances become d1 + s and d2 + s cos(angle).
    """
    row = np.arange(len(centre))
    first = distances.argmin(axis=1)
    foot, least = feet[row, first], distances[row, first]
    apart = np.abs(feet - foot[:, None]) > 1e-3 * least[:, None]
    others = np.where(apart, distances, np.inf)
    second = others.argmin(axis=1)
    next_least = others[row, second]
    usable = np.isfinite(next_least) & (least > 0)
    away = (centre - foot) / np.where(usable, least, 1)
    away_next = (centre - feet[row, second]) / np.where(usable, next_least, 1)
    opening = 1 - (away * np.conj(away_next)).real
    usable &= opening > 1e-3
    step = np.where(usable, (next_least - least) / np.where(usable, opening, 1), 0)
    moved: ComplexArray = centre + away * np.minimum(step, least)
    return moved
