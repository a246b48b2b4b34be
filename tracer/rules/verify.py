"""Measure a written drawing, by a method that shares no code with the repair.

The repair erodes and dilates polygons; here the widths are read off the medial axis, see
`tracer.rules.medial`. With r = w/2, a side of the outline is thinner than w

* at a *passage* where the axis narrows below r between two wider parts (a neck, a gap): eroding
  by r cuts it there. Its width is twice the least radius on the way, however short it is;
* at an *end*, where a corner or stub lies farther than 2 r from the centre of the first disc of
  radius r that is met from there along the axis. This is what
  ``side - dilate(open(side, r), d)`` with ``d = r (1/sin(a/2) - 1)``, a = 60 degrees, leaves of
  it, except that a stub is never excused by metal on the other side of a gap;
* *all over*, where no disc of radius r fits into a separate piece.
"""

import math
import re
from collections import deque
from dataclasses import dataclass

import numpy as np
import shapely

from tracer.curves.path import Drawing
from tracer.model import Verified, Width
from tracer.process import Limit, Limits
from tracer.rules.medial import Axis, Medial, medial_axes
from tracer.settings import Grade, Role

CORNER_DEG = 60.0
"""The sharpest corner that counts as a corner of something thick."""
SLACK_DEG = 3.0
"""How well the angle of a corner is known after tracing."""
ERROR_MM = 0.02
ERROR_SHARE = 0.02
METHOD = "discs inscribed along the medial axis of the written file, to 0.02 mm or 2 %, the larger"

_REACH = 1 / math.sin(math.radians(CORNER_DEG - SLACK_DEG) / 2)
_DIP_MM = 0.002
_DIP_SHARE = 0.005
"""A dip of the radius below these is the spacing of samples, not a passage."""
_HALVINGS = 12
_SMALLEST_SHARE = 1 / 40
"""Of the limit: parts of this size are still told apart when a place is measured."""


def verify_drawing(
    drawing: Drawing, role: Role, limits: Limits, *, grade: Grade = Grade.ADVISED
) -> Verified:
    """Measure the least width of metal and of mould, and find every place below its limit.

    `below` lists each place that is below its limit by more than 0.02 mm or 2 %, the larger, with
    the least width in it: sides ``metal`` and ``gap``, and ``island`` or ``opening`` for a separate
    piece (or opening) whose inscribed circle and area are both smaller than the limit's circle.
    `least_metal` and `least_gap` are the least widths among the places below, else the least
    width from the limit up at which something is thinner; None if that is wider than the drawing.
    A detail much smaller than the limit on something thick is neither: it is a matter of finish,
    not of casting.

    Where outlines cross or touch the width is 0 on both sides.

    Parameters
    ----------
    drawing
        As read back from the written file, mm.
    role
        In `Role.SUNK` metal is what lies outside the shapes; the outer ground is without end.
    limits, grade
        What the sides are held to. Without limits nothing is below, and the least widths are
        those of anything larger than a four-thousandth of the drawing.

    Notes
    -----
    Samples lie within 0.001 mm of the curves; radii are measured to the chords between them, which
    puts at most 0.004 mm on a width. The tests compare with closed forms and with a raster.
    """
    extent = _extent(drawing)
    values = {side: getattr(limits, side).at(grade) for side in ("metal", "gap")}
    unit = min((v for v in values.values() if v > 0), default=extent / 100)
    unit = min(max(unit, extent / 1000), extent)
    medial = medial_axes(drawing, unit / 3, unit / 10)
    ink_is_metal = role is not Role.SUNK
    metal, mould = medial.inside, medial.outside
    if not ink_is_metal:
        metal, mould = mould, metal
    crossed = _crossings(medial.region)
    below = [(side, Width(0.0, at)) for at in crossed for side in ("metal", "gap")]
    outline = medial.region.boundary
    shapely.prepare(outline)
    found_metal, least_metal = _measure(metal, values["metal"], unit, extent, outline)
    found_gap, least_gap = _measure(mould, values["gap"], unit, extent, outline)
    below += [("metal", width) for width in found_metal]
    below += [("gap", width) for width in found_gap]
    pieces, openings = ("island", "opening") if ink_is_metal else ("opening", "island")
    below += _small(medial, pieces, getattr(limits, pieces), grade, holes=False)
    below += _small(medial, openings, getattr(limits, openings), grade, holes=True)
    if crossed:
        least_metal = least_gap = Width(0.0, crossed[0])
    return Verified(least_metal, least_gap, tuple(below), METHOD)


def measuring_error(width_mm: float) -> float:
    """Return the error that a measured width may have, mm."""
    return max(ERROR_MM, ERROR_SHARE * width_mm)


@dataclass(frozen=True, slots=True)
class _Passage:
    """A narrowing between two parts of a side that reach at least `upper`."""

    radius: float
    at: complex
    upper: float
    nodes: tuple[int, int]


def _measure(
    axis: Axis, limit: float, unit: float, extent: float, outline: shapely.Geometry
) -> tuple[list[Width], Width | None]:
    """Return the places of a side below a limit, and the least width of the side."""
    if not len(axis.radius):
        return [], None
    radius = (limit - measuring_error(limit)) / 2
    if radius > 0:
        flow = _Flow(axis, 1.6 * radius, outline)
        below = flow.places_below(radius, unit / 2 * _SMALLEST_SHARE)
        if below:
            return below, min(below, key=lambda width: width.mm)
    start = max(radius, unit / 2 * _SMALLEST_SHARE)
    cap = 1.6 * max(radius, unit / 2)
    while True:
        least = _Flow(axis, cap, outline).least_from(start)
        if least is not None or cap > extent / 2:
            return [], least
        cap *= 2.5


class _Flow:
    """The part of a medial axis with discs smaller than `cap`, drained towards larger discs.

    Passages are the merges of the merge tree of the radius (superlevel sets), by Kruskal's order;
    what is left of the tree when those between two wide parts are cut gives every node its way.
    """

    def __init__(self, axis: Axis, cap: float, outline: shapely.Geometry) -> None:
        self.axis = axis
        self._outline = outline
        self.cap = cap
        self.radius: list[float] = axis.radius.tolist()
        self.centre: list[complex] = axis.centre.tolist()
        self.passages: list[_Passage] = []
        self._group = list(range(len(self.radius)))
        self._join()
        self._drain()

    def _find(self, node: int) -> int:
        group = self._group
        while group[node] != node:
            group[node] = group[group[node]]
            node = group[node]
        return node

    def _join(self) -> None:
        axis, cap, group = self.axis, self.cap, self._group
        peak = np.minimum(axis.radius, cap).tolist()
        narrow = np.flatnonzero(axis.pass_radius < cap)
        narrow = narrow[np.argsort(-axis.pass_radius[narrow], kind="stable")]
        self._way: dict[int, list[int]] = {}
        for (a, b), level, at in zip(
            axis.link[narrow].tolist(),
            axis.pass_radius[narrow].tolist(),
            axis.pass_at[narrow].tolist(),
            strict=True,
        ):
            one, two = self._find(a), self._find(b)
            upper = min(peak[one], peak[two])
            if upper - level > max(_DIP_MM, _DIP_SHARE * upper):
                self.passages.append(_Passage(level, at, upper, (a, b)))
            if one == two:
                continue
            if upper < cap:
                self._way.setdefault(a, []).append(b)
                self._way.setdefault(b, []).append(a)
            if peak[one] < peak[two]:
                one, two = two, one
            group[two] = one

    def _drain(self) -> None:
        """Give every narrow node the next one on its way to a wide disc; -1 at its end."""
        low = np.flatnonzero(self.axis.radius < self.cap)
        self.next: dict[int, int] = {}
        tops = [n for n in self._way if self.radius[n] >= self.cap]
        # a piece that is narrow all over drains towards its widest disc
        widest: dict[int, int] = {}
        for node in low[np.argsort(-self.axis.radius[low], kind="stable")].tolist():
            root = self._find(node)
            if self.radius[root] < self.cap:
                widest.setdefault(root, node)
        self.tops = list(widest.values())
        queue = deque([*tops, *self.tops])
        self.next.update(dict.fromkeys(queue, -1))
        while queue:
            node = queue.popleft()
            for other in self._way.get(node, ()):
                if other not in self.next:
                    self.next[other] = node
                    queue.append(other)

    def _width_at_end(self, point: complex, node: int, start: float, stop: float) -> _Passage:
        """Return the radius, from `start` to `stop`, at which an end is no longer excused."""
        held = start
        before = node
        while node >= 0:
            size, centre = self.radius[node], self.centre[node]
            if size > held:
                # the disc of radius `held` nearest the end, on the way here or within this disc
                on_way = abs(point - self._where(before, node, held))
                within = abs(point - centre) - (size - held)
                if on_way <= _REACH * held < within:  # it hangs on the sides between the nodes
                    on_way = abs(point - self._met(before, node, held))
                away = min(on_way, within)
                if node != before and away > _REACH * held:  # its own disc touches it
                    radius = 0.0 if held == start else held  # it runs out to nothing
                    return _Passage(radius, self.centre[before], stop, (before, before))
                held = size
            if held >= stop:
                break
            before, node = node, self.next.get(node, -1)
        return _Passage(min(held, stop), self.centre[before], stop, (before, before))

    def _where(self, a: int, b: int, radius: float) -> complex:
        """Return where between two nodes the disc has a radius, between straight sides."""
        low, high = self.radius[a], self.radius[b]
        share = (radius - low) / (high - low) if low < radius < high else float(radius >= high)
        return self.centre[a] + share * (self.centre[b] - self.centre[a])

    def _met(self, a: int, b: int, radius: float) -> complex:
        """Return the same whatever the sides: measured to the outline, by halving."""
        near, far = self.centre[a], self.centre[b]
        for _ in range(_HALVINGS):
            middle = (near + far) / 2
            at = shapely.Point(middle.real, middle.imag)
            if shapely.distance(self._outline, at) < radius:
                near = middle
            else:
                far = middle
        return far

    def least_from(self, start: float) -> Width | None:
        """Return the least width from 2 `start` up at which something is thinner, below the cap."""
        best: _Passage | None = None
        for passage in self.passages:
            if passage.radius >= start and (best is None or passage.radius < best.radius):
                best = passage
        for top in self.tops:
            if start <= self.radius[top] and (best is None or self.radius[top] < best.radius):
                best = _Passage(self.radius[top], self.centre[top], self.cap, (top, top))
        for point, node in self._ends(self.cap):
            stop = best.radius if best else self.cap
            end = self._width_at_end(point, node, start, stop)
            if end.radius < stop:
                best = end
        return None if best is None else _width(best)

    def places_below(self, radius: float, smallest: float) -> list[Width]:
        """Return each connected place that is thinner than 2 `radius`, with its least width."""
        label = self._labels_below(radius)
        found: dict[int, _Passage] = {}

        def note(place: int, width: _Passage) -> None:
            found[place] = min(found.get(place, width), width, key=lambda p: p.radius)

        narrow = [p for p in self.passages if p.radius < radius]
        for number, passage in enumerate(narrow):
            if passage.upper >= radius:
                note(_label_of(passage, label, -1 - number), passage)
        for top in self.tops:
            if self.radius[top] < radius:
                note(label[top], _Passage(self.radius[top], self.centre[top], 0, (top, top)))
        for point, node in self._ends(radius):
            if self._width_at_end(point, node, radius, 2 * radius).radius <= radius:
                note(label[node], self._width_at_end(point, node, smallest, radius))
        for passage in narrow:  # what is narrower still within a place found
            if (place := _label_of(passage, label, 0)) in found:
                note(place, passage)
        return sorted((_width(p) for p in found.values()), key=lambda w: (w.mm, w.at))

    def _ends(self, below: float) -> list[tuple[complex, int]]:
        axis = self.axis
        use = axis.radius[axis.end_node] < below
        return list(zip(axis.end_point[use].tolist(), axis.end_node[use].tolist(), strict=True))

    def _labels_below(self, radius: float) -> dict[int, int]:
        """Return a number for each node narrower than `radius`, equal where they connect."""
        axis = self.axis
        low = axis.radius < radius
        joined: dict[int, list[int]] = {n: [] for n in np.flatnonzero(low).tolist()}
        for a, b in axis.link[low[axis.link].all(axis=1)].tolist():
            joined[a].append(b)
            joined[b].append(a)
        label: dict[int, int] = {}
        for first in joined:
            if first in label:
                continue
            label[first] = first
            stack = [first]
            while stack:
                for other in joined[stack.pop()]:
                    if other not in label:
                        label[other] = first
                        stack.append(other)
        return label


def _label_of(passage: _Passage, label: dict[int, int], otherwise: int) -> int:
    return next((label[n] for n in passage.nodes if n in label), otherwise)


def _width(passage: _Passage) -> Width:
    return Width(2 * passage.radius, (passage.at.real, passage.at.imag))


def _small(
    medial: Medial, side: str, limit: Limit, grade: Grade, *, holes: bool
) -> list[tuple[str, Width]]:
    """Return the separate pieces of ink, or the holes in it, smaller than a limit's circle."""
    wanted = limit.at(grade)
    wanted -= measuring_error(wanted)
    if wanted <= 0:
        return []
    axis = medial.outside if holes else medial.inside
    found = []
    for ring, area in medial.holes if holes else medial.pieces:
        touching = np.flatnonzero((axis.rings == ring).any(axis=1))
        if not len(touching):
            continue
        widest = touching[axis.radius[touching].argmax()]
        diameter = 2 * float(axis.radius[widest])
        if diameter < wanted and area < math.pi / 4 * wanted**2:
            at = complex(axis.centre[widest])
            found.append((side, Width(diameter, (at.real, at.imag))))
    return found


def _crossings(region: shapely.MultiPolygon) -> list[tuple[float, float]]:
    """Return a place where outlines cross or touch along a line, if there is one."""
    if region.is_valid:
        return []
    numbers = re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(region))
    x, y = map(float, numbers.groups()) if numbers else region.bounds[:2]
    return [(x, y)]


def _extent(drawing: Drawing) -> float:
    left, bottom, right, top = drawing.bounds
    return max(right - left, top - bottom)
