"""Everything that breaks a limit in one region: a list of defects, before any repair.

Metal and mould are the two sides of the outline of the ink; `sunk` ink is mould, else metal.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.model import Kind, Region
from tracer.process import Limits
from tracer.rules.find import Body, Place, bodies, thin_places
from tracer.rules.skeleton import EMPTY, Bools, Skeleton, outline_of, skeleton
from tracer.settings import Grade, Role

GROUPED_BELOW = 0.25
"""Bodies smaller than this share of their limit are specks, told together if several."""
_SEVERAL = 5
_SAMPLES_ACROSS = 5
_SHARE = 0.25
"""Share of its boundary on an island from which on a gap belongs to the island."""
_ROUND = 0.95
CORD_HOLE_MM = (2.0, 8.0)
"""Diameters of holes for rings and cords (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """The limits of one grade in mm, and what a repair adds to them."""

    metal: float
    gap: float
    island: float
    opening: float
    margin: float

    @property
    def none(self) -> bool:
        """Whether there are no limits."""
        return max(self.metal, self.gap, self.island, self.opening) <= 0

    @property
    def spacing(self) -> float:
        """How close samples must be for the smallest limit, in mm."""
        limits = (self.metal, self.gap, self.island, self.opening)
        return min(x for x in limits if x > 0) / _SAMPLES_ACROSS

    @property
    def slack(self) -> float:
        """How far below its limit a width must be to count: the accuracy of the measure."""
        return max(self.margin / 4, 0.002 * max(self.metal, self.gap))

    @property
    def tolerance(self) -> float:
        """How exactly repairs are worked, in mm."""
        return max(self.margin / 8, 2e-4)

    def scaled(self, factor: float) -> "Sizes":
        """Return the limits as they are for artwork made `factor` times as large.

        The margin stays: it is the accuracy of the artwork, which grows with it.
        """
        return Sizes(
            self.metal / factor,
            self.gap / factor,
            self.island / factor,
            self.opening / factor,
            self.margin,
        )


@dataclass(frozen=True, eq=False)
class Defect:
    """One place that breaks a limit, with what a repair needs to know of it."""

    kind: Kind
    metal: bool  # which side is too small
    at: complex
    width: float
    limit: float
    outline: Callable[[], BaseGeometry]
    area: float
    thin: Place | None = None
    count: int = 1
    lost: float = 0.0
    hole_mm: float = 0.0  # diameter of a round hole that is wanted
    beside: Callable[[], float] = lambda: math.inf  # width of what lies next to it, the other side

    @cached_property
    def place(self) -> BaseGeometry:
        """The part of the plane that it is, made when first asked for: counting needs none."""
        return self.outline()


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """A region, its skeleton, and what is wrong with it at some limits."""

    region: Region
    sizes: Sizes
    axis: Skeleton
    metal_side: Bools
    defects: tuple[Defect, ...]


def sound_from(defect: Defect) -> float:
    """Return how many times as large the piece must be for a place to be sound.

    Widths grow with the piece. A place that runs out to a point, and a loose piece, are never
    wide enough: infinite.
    """
    if defect.width <= 0 or defect.hole_mm:
        return math.inf if not defect.hole_mm else defect.limit / defect.width
    return max(defect.limit / defect.width, 1.0)


def sizes_of(limits: Limits, grade: Grade, margin: float) -> Sizes:
    """Return the limits of one grade."""
    return Sizes(
        limits.metal.at(grade),
        limits.gap.at(grade),
        limits.island.at(grade),
        limits.opening.at(grade),
        margin,
    )


def survey(region: Region, sizes: Sizes, role: Role) -> Survey:
    """Find every defect of a region at one set of limits, in no particular order.

    Where there are no limits at all, or no ink, nothing is measured and the skeleton is empty.
    """
    if sizes.none or region.is_empty:
        return Survey(region, sizes, EMPTY, EMPTY.inside, ())
    axis = axis_of(region, sizes)
    return Survey(region, sizes, axis, metal_side_of(axis, role), defects_of(axis, sizes, role))


def axis_of(region: Region, sizes: Sizes) -> Skeleton:
    """Return the skeleton of a region, fine enough for the smallest limit."""
    left, bottom, right, top = region.bounds
    coarsest = math.hypot(right - left, top - bottom) / 4
    return skeleton(region, min(sizes.spacing, coarsest), sizes.tolerance)


def metal_side_of(axis: Skeleton, role: Role) -> Bools:
    """Tell which nodes lie in metal."""
    return ~axis.inside if role is Role.SUNK else axis.inside


def defects_of(axis: Skeleton, sizes: Sizes, role: Role) -> tuple[Defect, ...]:
    """Find every defect on a skeleton."""
    metal_side = metal_side_of(axis, role)
    silhouette = role is Role.SILHOUETTE
    islands, pieces = _small_bodies(axis, metal_side, sizes.island, sizes.slack, Kind.SMALL_ISLAND)
    openings, _ = _small_bodies(axis, ~metal_side, sizes.opening, sizes.slack, Kind.SMALL_OPENING)
    done = {n for _, numbers in islands + openings for n in numbers}
    found = [d for d, _ in islands + openings]
    specks = _points_of(axis, metal_side, [n for _, numbers in islands for n in numbers])
    if silhouette:
        found = [_wanted_hole(d) if d.kind is Kind.SMALL_OPENING else d for d in found]
    for metal, limit in ((True, sizes.metal), (False, sizes.gap)):
        side = metal_side if metal else ~metal_side
        for place in thin_places(axis, side, limit - sizes.slack, limit + sizes.margin):
            if place.body not in done and not (specks.any() and _beside(axis, place, specks)):
                found.append(_thin_defect(axis, place, limit, metal=metal))
    if silhouette and len(pieces) > 1:
        rest = sorted(pieces, key=lambda b: (-b.area, -b.at.imag, b.at.real))[1:]
        found += [_loose(axis, body, sizes.metal) for body in rest]
    return tuple(found)


def _points_of(axis: Skeleton, side: Bools, numbers: list[int]) -> Bools:
    """Tell which boundary points lie on some bodies."""
    chosen = np.zeros(len(axis.point), dtype=bool)
    if numbers:
        corners = axis.corners[side & np.isin(axis.body, numbers)]
        chosen[corners[corners >= 0]] = True
    return chosen


def _beside(axis: Skeleton, place: Place, specks: Bools) -> bool:
    """Tell whether a gap is one to an island that is a finding itself."""
    corners = axis.corners[place.nodes]
    corners = corners[corners >= 0]
    return bool(len(corners)) and float(specks[corners].mean()) > _SHARE


def _small_bodies(
    axis: Skeleton, side: Bools, limit: float, slack: float, kind: Kind
) -> tuple[list[tuple[Defect, list[int]]], list[Body]]:
    """Return defects of bodies too small for the limit, and the bodies that are large enough."""
    every = bodies(axis, side)
    small = [b for b in every if not b.is_long and 2 * b.half < limit - slack]
    tiny = [b for b in small if 2 * b.half < GROUPED_BELOW * limit]
    if len(tiny) <= _SEVERAL:
        tiny = []
    numbers = {b.number for b in tiny}
    groups = [tiny] if tiny else []
    groups += [[b] for b in small if b.number not in numbers]
    chosen = {b.number for b in small}
    return [_body_defect(axis, g, limit, kind) for g in groups], [
        b for b in every if b.number not in chosen
    ]


def _body_defect(
    axis: Skeleton, group: list[Body], limit: float, kind: Kind
) -> tuple[Defect, list[int]]:
    numbers = [b.number for b in group]
    largest = max(group, key=lambda b: b.half)
    defect = Defect(
        kind,
        metal=kind is Kind.SMALL_ISLAND,
        at=largest.at,
        width=2 * largest.half,
        limit=limit,
        outline=partial(_bodies_outline, axis, group),
        area=math.fsum(b.area for b in group),
        count=len(group),
    )
    return defect, numbers


def _bodies_outline(axis: Skeleton, group: list[Body]) -> BaseGeometry:
    if len(group) == 1:
        return outline_of(axis, np.flatnonzero(axis.body == group[0].number))
    # joining thousands of triangles would take minutes: their discs are told
    centres = np.array([b.at for b in group])
    radii = np.array([b.half for b in group])
    discs: Any = shapely.buffer(shapely.points(centres.real, centres.imag), radii, quad_segs=2)
    return shapely.MultiPolygon(list(discs))


def _wanted_hole(defect: Defect) -> Defect:
    """Mark a round opening of the size of a ring or cord hole, which is never filled."""
    low, high = CORD_HOLE_MM
    around = 2 * math.sqrt(defect.area / math.pi)
    is_round = defect.count == 1 and defect.width > _ROUND * around
    if not (is_round and low <= around * 1.005 and around <= high):
        return defect
    return replace(defect, hole_mm=around)


def _thin_defect(axis: Skeleton, place: Place, limit: float, *, metal: bool) -> Defect:
    if not metal:
        kind = Kind.NARROW_GAP
    elif place.mouths == 0:
        kind = Kind.HAIRLINE
    elif place.is_tip:
        kind = Kind.SHARP_TIP
    else:
        kind = Kind.SPUR if place.mouths == 1 else Kind.NECK
    return Defect(
        kind,
        metal,
        place.at,
        2 * place.half,
        limit,
        partial(outline_of, axis, place.nodes),
        float(axis.area[place.nodes].sum()),
        thin=place,
        lost=place.lost if place.is_tip else 0.0,
        beside=partial(_width_beside, axis, place),
    )


def _width_beside(axis: Skeleton, place: Place) -> float:
    """Return the median width of the other side along a thin place."""
    corners = axis.corners[place.line]
    touched = np.unique(corners[corners >= 0])
    if not len(touched):
        return math.inf
    other = np.flatnonzero(axis.inside != axis.inside[place.nodes[0]])
    widest = np.zeros(len(axis.point))
    for corner in axis.corners[other].T:
        known = corner >= 0
        np.maximum.at(widest, corner[known], axis.half[other[known]])
    widths = np.where(widest > 0, 2 * widest, math.inf)[touched]  # the open ground has no discs
    return float(np.median(widths))


def _loose(axis: Skeleton, body: Body, limit: float) -> Defect:
    return Defect(
        Kind.LOOSE_PIECE,
        metal=True,
        at=body.at,
        width=0.0,
        limit=limit,
        outline=partial(_bodies_outline, axis, [body]),
        area=body.area,
    )
