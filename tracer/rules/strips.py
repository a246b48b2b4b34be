"""Strips of even width along the centre line of a thin place, and how they end.

The strip of a place is all that lies within half the wanted width of its centre line (Blum, 1967,
see `skeleton`). At free ends that would be a disc, longer than what was drawn and round where that
was square: the end as drawn of a line of metal is spread to the sides there instead.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from tracer.model import Region
from tracer.rules.patches import Parts, grown
from tracer.rules.skeleton import Bools, Ints, Skeleton, centre_line
from tracer.rules.survey import Defect, Survey

_EVEN = 0.97
"""Share of its greatest width that a line of even width has everywhere: what pixels leave of it."""
_EVEN_FOR = 1.0
"""Over so many half widths a line must be even to be taken for one."""
_LONGEST_END = 6.0
"""Times its half width that the end of a line reaches beyond its last full disc: a cut at a slant
of 18 degrees. A judgement."""
_OVERLAP = 0.05
"""Share of the half width by which an end overlaps its strip, so that no slit is left between."""
_JOINED = 6.0
"""Two strips in line whose mouths are at most this many half widths apart become one."""
_IN_LINE = 0.99
"""Cosine of 8 degrees, by which two strips may be off one line to become one. A judgement."""


@dataclass(frozen=True, slots=True)
class _Frame:
    """Coordinates along and across the end of a line: from `origin`, along the unit `way`."""

    origin: complex
    way: complex

    def box(self, start: float, end: float, half: float) -> shapely.Polygon:
        """Return a rectangle from `start` to `end` along, `half` to each side."""
        z = self.origin + self.way * np.array(
            [start - half * 1j, end - half * 1j, end + half * 1j, start + half * 1j]
        )
        return shapely.Polygon(np.column_stack([z.real, z.imag]))

    def round_end(self, length: float, half: float) -> BaseGeometry:
        """Return the end of a strip of half width `half`, round, that reaches so far along."""
        z = self.origin + np.array([min(0.0, length - 1.5 * half), length - half]) * self.way
        end: BaseGeometry = grown(shapely.LineString(np.column_stack([z.real, z.imag])), half)
        return end

    def tip_of(self, shape: BaseGeometry) -> tuple[float, float]:
        """Return how far a shape reaches along, and how far aside it does so; nothing: 0, 0."""
        z = shapely.get_coordinates(shape) @ np.array([1, 1j])
        w = np.append((z - self.origin) / self.way, 0)
        tip = complex(w[w.real.argmax()])
        return tip.real, tip.imag

    def spread(self, shape: BaseGeometry, by: float) -> BaseGeometry:
        """Return a shape spread by so much to each side: its sum, of sets, with a line across."""
        across = 1j * self.way * by
        parts: list[BaseGeometry] = []
        for polygon in shapely.get_parts(shape):
            if polygon.geom_type != "Polygon":
                continue
            z = shapely.get_coordinates(polygon.exterior) @ np.array([1, 1j])
            rings = np.stack([z[:-1] - across, z[1:] - across, z[1:] + across, z[:-1] + across], 1)
            swept: Parts = np.array(
                shapely.polygons(np.stack([rings.real, rings.imag], axis=-1)), dtype=object
            )
            parts += [shapely.Polygon(polygon.exterior), *swept[shapely.is_valid(swept)]]
        return shapely.union_all(parts)


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """A free end of a line: where its last full disc is, as wide as `half` to each side."""

    frame: _Frame
    half: float
    path: Ints  # the nodes from there back
    bent: Ints  # those beyond, where the centre line turns off into a corner
    pointed: bool
    tapers: bool


def widened(found: Survey, defect: Defect, half: float, tolerance: float) -> BaseGeometry:
    """Return the strip of half width `half` along the centre line of a thin place.

    A free end keeps its place and its shape, spread to the sides: one cut square stays square, one
    rounded keeps round corners, and none becomes longer than drawn. One cut at a slant so sharp
    that its corner would be lost becomes square. Where the outline runs out to a point the strip
    ends round, at the point. A strip along a gap is cut off flush with a free end.
    """
    assert defect.thin is not None
    axis, nodes = found.axis, defect.thin.line
    is_ink = bool(axis.inside[nodes[0]])
    ends: list[tuple[BaseGeometry, BaseGeometry]] = []
    for end in _free_ends(axis, defect, half):
        frame = end.frame
        if not defect.metal:
            if not end.pointed:
                ends.append((frame.box(end.half, 2 * half, 1.01 * half), shapely.Polygon()))
            continue
        drawn = _drawn_beyond(found.region, end, is_ink=is_ink)
        length, aside = frame.tip_of(drawn)
        sharp = end.tapers and (end.pointed or end.half < half / 2)  # cut off, or a hair's end
        if sharp or (end.pointed and abs(aside) < end.half / 2):  # like a pencil
            along = ((axis.centre[end.path] - frame.origin) / frame.way).real
            nodes = np.setdiff1d(nodes, [*end.bent, *end.path[along > length - half]])
            ends.append((frame.box(length, 2 * half, 1.01 * half), frame.round_end(length, half)))
            continue
        shape = frame.spread(drawn, half - end.half)
        if end.pointed:
            shape = frame.box(-_OVERLAP * end.half, length, half)
            nodes = np.setdiff1d(nodes, end.bent)
        ends.append((frame.box(0, 2 * half, 1.01 * half), shape))
    line = centre_line(axis, nodes, tolerance)
    strip = shapely.union_all(grown(np.array(shapely.get_parts(line), dtype=object), half))
    for beyond, shape in ends:
        elsewhere = grown(line.difference(shapely.buffer(beyond, 1.01 * half)), half)
        strip = strip.difference(beyond.difference(elsewhere)).union(shape)
    return strip


def _drawn_beyond(region: Region, end: _End, *, is_ink: bool) -> BaseGeometry:
    """Return what was drawn of a line beyond its last full disc."""
    half = end.half
    window = end.frame.box(-_OVERLAP * half, _LONGEST_END * half, 1.01 * half)
    part = region.intersection(window)
    if not is_ink:
        part = window.difference(part)
    at = shapely.Point(end.frame.origin.real, end.frame.origin.imag)
    return shapely.union_all([p for p in shapely.get_parts(part) if p.distance(at) < half / 2])


def _free_ends(axis: Skeleton, defect: Defect, half: float) -> list[_End]:
    """Return the free ends of a thin place.

    Where a line of even width was cut at a slant its centre line turns off into the corner that is
    left: the last disc is the last of full width, and the end counts as pointed.
    """
    assert defect.thin is not None
    line = defect.thin.line
    linked = _links_within(axis, line)
    mouths = _to_mouth(axis, defect)
    points = axis.centre[defect.thin.points]
    ends = []
    for end in (k for k, others in linked.items() if len(others) == 1):
        # samples on both sides of a point leave two discs at one place, of which one is on the line
        near = defect.thin.points[np.abs(points - axis.centre[end]) < half / 4]
        path = _path_from(axis, linked, end, 4 * half)
        last = _last_full(axis, path, half)
        turns_off = last if last and len(near) else 0
        bent, path = np.union1d(path[:turns_off], near), path[turns_off:]
        centre, own = complex(axis.centre[path[0]]), float(axis.half[path[0]])
        near_mouth = len(mouths) and np.abs(axis.centre[mouths] - centre).min() < half
        if own >= half or near_mouth:
            continue
        way = _way_out(axis, path, max(2 * own, 0.5 * half))
        if way:
            ends.append(_End(_Frame(centre, way), own, path, bent, len(near) > 0, last is None))
    return ends


def _links_within(axis: Skeleton, line: Ints) -> dict[int, list[int]]:
    """Return for each node of a line those of its nodes that it is linked to."""
    chosen = np.zeros(len(axis.half), dtype=bool)
    chosen[line] = True
    linked: dict[int, list[int]] = {}
    for a, b in axis.link[chosen[axis.link].all(axis=1)].tolist():
        linked.setdefault(a, []).append(b)
        linked.setdefault(b, []).append(a)
    return linked


def _to_mouth(axis: Skeleton, defect: Defect) -> Ints:
    """Return the nodes of a thin place that are linked to wider ones."""
    assert defect.thin is not None
    thin = np.zeros(len(axis.half), dtype=bool)
    thin[defect.thin.nodes] = True
    a, b = axis.link.T
    out: Bools = thin[a] != thin[b]
    return np.unique(np.where(thin[a], a, b)[out])


def _path_from(axis: Skeleton, linked: dict[int, list[int]], end: int, longest: float) -> Ints:
    """Return the nodes from an end of a line on, up to where it branches or is `longest`."""
    path, length = [end], 0.0
    while length < longest:
        ahead = [k for k in linked[path[-1]] if k not in path[-2:]]
        if len(ahead) != 1 or ahead[0] == end:
            break
        length += abs(axis.centre[ahead[0]] - axis.centre[path[-1]])
        path.append(ahead[0])
    return np.array(path)


def _last_full(axis: Skeleton, path: Ints, half: float) -> int | None:
    """Return where on its way from the end a line has its full, even width; None if nowhere."""
    wide = axis.half[path]
    even = wide > _EVEN * wide.max()
    first = int(even.argmax())
    ways = np.abs(np.diff(axis.centre[path]))
    reached: NDArray[np.float64] = np.concatenate([[0.0], np.cumsum(ways)])
    enough = reached[first] + _EVEN_FOR * half
    behind = (reached >= reached[first]) & (reached <= enough)
    return first if reached[-1] >= enough and even[behind].all() else None


def _way_out(axis: Skeleton, path: Ints, within: float) -> complex:
    """Return the unit way along a path to its first node, from those `within` of it; 0 if none."""
    first = complex(axis.centre[path[0]])
    near = path[np.abs(axis.centre[path] - first) < within]
    way = first - complex(axis.centre[near].mean())
    return way / abs(way) if abs(way) >= 1e-6 else 0j


def joins(axis: Skeleton, defects: list[Defect], half: float) -> list[BaseGeometry]:
    """Return what joins strips in line with each other over a short place that is wide enough.

    Such as where a third line meets them from one side: their other side would have a hollow there.
    """
    mouths: list[tuple[complex, complex, complex]] = []
    for defect in defects:
        linked = _links_within(axis, defect.thin.line) if defect.thin is not None else {}
        for mouth in _to_mouth(axis, defect).tolist() if linked else []:
            if len(linked.get(mouth, [])) != 1:
                continue
            path = _path_from(axis, linked, mouth, 3 * half)
            at = complex(axis.centre[mouth])
            before = path[np.abs(axis.centre[path] - at) >= half]  # at the mouth it may turn off
            way = _way_out(axis, before, 2 * half) if len(before) else 0j
            if way:
                mouths.append((at, complex(axis.centre[before[0]]), way))
    shapes = []
    for (at, a, way), (other, b, back) in combinations(mouths, 2):
        if a == b or abs(other - at) > _JOINED * half:
            continue
        along = (b - a) / abs(b - a)
        if min((along * way.conjugate()).real, (-along * back.conjugate()).real) > _IN_LINE:
            shapes.append(grown(shapely.LineString([(a.real, a.imag), (b.real, b.imag)]), half))
    return shapes
