"""The medial axis of a drawing: inscribed discs of metal and mould, and how they hang together.

Built from the Delaunay triangulation of boundary samples. Each triangle on one side of the
outline gives the centre of a disc that is inscribed in that side; triangles that share an edge
are neighbours on the medial axis (Amenta, Choi and Kolluri, "The power crust, unions of balls, and
the medial axis transform", Computational Geometry 19, 2001, adapted: instead of taking the sample
discs as they are, each centre is moved onto the bisector of the two sides it lies between and its
radius measured to the sides themselves, so that the spacing of the samples cancels out).

Shares no code with the repair, which works by erosion and dilation of polygons.
"""

import itertools
import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.path import Drawing
from tracer.curves.segments import ComplexArray, FloatArray
from tracer.rules.boundary import Curves, IntArray, Samples, first_samples, refined
from tracer.rules.delaunay import delaunay, opposites

LEAST_TURN_RAD = 1e-4
"""A boundary that turns less from sample to sample counts as straight."""
MOST_SAMPLES = 200_000
MOST_ROUNDS = 5
MOST_PARTS = 8
FLAT = 1e-8
"""A triangle whose height is less than this part of its longest edge has none."""
MOST_FLAT = 8
FRAME_POINTS = 16
FRAME_REACH = 100
"""Of the drawing: so far away that discs in the open ground count as without end."""

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """The medial axis of one side, metal or mould.

    `radius[i]` is the radius of the largest disc about `centre[i]` in that side, measured to the
    three parts of the boundary nearest to it, many times the drawing in the open ground.
    Neighbours `link[e]` are joined through a passage of half width `pass_radius[e]` at
    `pass_at[e]`. `end_point[k]` is a sample on a convex corner or arc, `end_node[k]` the widest
    disc that touches it.
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
    curves = Curves([s for path in drawing.paths for s in path.segments])
    lengths = [len(path.segments) for path in drawing.paths]
    samples = first_samples(drawing, lengths, coarse_mm, fine_mm, curves)
    for _ in range(MOST_ROUNDS):
        mesh = _Mesh(samples)
        parts = mesh.wanted_parts(fine_mm)
        if (parts == 1).all() or len(parts) + parts.sum() > MOST_SAMPLES:
            break
        samples = refined(samples, parts, curves)
    else:
        mesh = _Mesh(samples)
    region = _region(drawing, mesh.samples)
    pieces, holes = _rings(drawing, mesh.samples)
    inside = mesh.is_inside(region)
    return Medial(mesh.axis(inside, turn=1), mesh.axis(~inside, turn=-1), region, pieces, holes)


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
        self.triangles = delaunay(self.point)
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
        self.opposite = opposites(self.triangles, len(self.point))
        self.start, self.end = start, end

    def _find_centres(self) -> None:
        """Centre and radius of the disc of each triangle, on the bisector of two sides."""
        centre = self._circumcentres()
        radius, feet, distances = self._clearance(centre)
        moved = _towards_bisector(centre, feet, distances)
        moved_radius, _, _ = self._clearance(moved)
        better = moved_radius > radius
        self.centre = np.where(better, moved, centre)
        self.radius = np.where(better, moved_radius, radius)

    def _circumcentres(self) -> ComplexArray:
        """Return the centre of the circle through the corners of each triangle.

        Samples of one straight side can make a triangle without height, whose circle is lost in
        rounding; it takes that of the neighbour across its longest edge, on whose circle it lies.
        """
        p = self.point[self.triangles]
        b, c = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
        cross = (np.conj(b) * c).imag
        edges = np.abs(np.roll(p, -1, axis=1) - p)
        flat = cross <= FLAT * edges.max(axis=1) ** 2
        square_b, square_c = np.abs(b) ** 2, np.abs(c) ** 2
        offset = 1j * (b * square_c - c * square_b) / (2 * np.where(flat, 1, cross))
        centre: ComplexArray = p[:, 0] + offset
        for _ in range(MOST_FLAT):  # neighbours may be flat themselves
            if not flat.any():
                break
            index = np.flatnonzero(flat)
            across = self.opposite[3 * index + edges[index].argmax(axis=1)] // 3
            centre[index] = centre[across]
            flat[index] = flat[across]
        return centre

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
            wanted = np.where(nearest < 6.5 * fine, fine, np.inf)
            wanted = np.minimum(wanted, np.maximum(nearest, fine / 24))
            long = chord > 1.01 * wanted
            count = np.ceil(np.minimum(chord[long] / wanted[long], MOST_PARTS)).astype(np.int64)
            parts[long] = np.maximum(parts[long], count)
        return parts

    def axis(self, inside: BoolArray, *, turn: int) -> Axis:
        """Return the medial axis of the triangles left of the boundary (`turn` 1) or right (-1)."""
        node = np.cumsum(inside) - 1
        triangle = np.arange(3 * len(self.triangles)) // 3
        other = np.where(self.opposite >= 0, self.opposite // 3, 0)
        linked = (self.opposite > np.arange(len(self.opposite))) & inside[triangle] & inside[other]
        linked &= ~(self.with_boundary | self.against_boundary)
        half = np.flatnonzero(linked)
        a, b = triangle[half], other[half]
        pass_radius, pass_at = self._passages(half, a, b)
        end, end_triangle = self._ends(inside, turn=turn)
        return Axis(
            centre=self.centre[inside],
            radius=self.radius[inside],
            rings=self.ring[self.triangles[inside]],
            link=np.column_stack([node[a], node[b]]),
            pass_radius=pass_radius,
            pass_at=pass_at,
            end_point=self.point[end],
            end_node=node[end_triangle],
        )

    def _ends(self, inside: BoolArray, *, turn: int) -> tuple[IntArray, IntArray]:
        """Return the samples where a side bulges out, each with its widest triangle.

        Nothing but a corner or an arc that is convex from within can be the far end of something.
        """
        widest = np.full(len(self.point), -1)
        by_size = np.flatnonzero(inside)[np.argsort(self.radius[inside], kind="stable")]
        widest[self.triangles[by_size].ravel()] = np.repeat(by_size, 3)  # the last one stays
        before, after = self.point - self.point[self.before], self.point[self.after] - self.point
        angle = np.angle(np.where(before == 0, 1, after * np.conj(before)))
        end = np.flatnonzero((turn * angle > LEAST_TURN_RAD) & (widest >= 0))
        return end, widest[end]

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
        pieces.append((number, math.fsum(path.area for path in shape.paths)))
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
            holes[k] = (n, area - math.fsum(pieces[i][1] for i in np.flatnonzero(within)))
    return tuple(pieces), tuple(holes)


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
    usable &= opening > 0.2  # sides that nearly face the same way: the step would be wild
    step = np.where(usable, (next_least - least) / np.where(usable, opening, 1), 0)
    moved: ComplexArray = centre + away * np.minimum(step, least)
    return moved
