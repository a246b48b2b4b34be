"""One ring to one closed path."""

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.path import Path, polyline_path
from tracer.curves.segments import Arc, ComplexArray, FloatArray
from tracer.fit.arc import fit_circles
from tracer.fit.attempt import fit_span
from tracer.fit.corners import NO_CORNERS, Corners, blunt_tips, corners
from tracer.fit.joints import FURTHEST_TIP_PX, LEAST_TURN, joined, turn_between
from tracer.fit.samples import Ring, ring_of
from tracer.fit.span_fit import LET_PASS, STRAY, SpanFit
from tracer.fit.spans import cut_spans, whole_span

_ROUND_PX = 1.0
"""How far a ring may lie from its path besides the tolerance: pixels round off what is sharp."""

_CLEAR_PX = 4.5
"""A blunt tip takes the place of corners that were found nearer than this."""


@dataclass(frozen=True, slots=True, eq=False)
class RingFit:
    """A ring with what was fitted to it: a path that stands, or spans between corners.

    Without corners there is one span, closed.
    """

    ring: Ring | None
    found: Corners
    spans: tuple[SpanFit, ...]
    fixed: Path | None = None

    def path(self, tolerance: float, *, no_tips: NDArray[np.bool_] | None = None) -> Path:
        """Return the closed path; at corners marked `no_tips` it goes on no further than the ring.

        Without marks each sharp tip goes on to where its sides meet.
        """
        if self.fixed is not None or self.ring is None:
            return self.fixed or Path(())
        chains = [s.chain for s in self.spans]
        if not len(self.found.index):
            return Path(chains[0].segments)
        marks = np.zeros_like(self.all_corners) if no_tips is None else no_tips
        return Path(joined(self.ring, chains, self.found, tolerance, no_tips=marks))

    @property
    def all_corners(self) -> NDArray[np.bool_]:
        """Marks at all corners."""
        return np.full(len(self.found.index), fill_value=True)

    def corners_near(self, places: ComplexArray, reach: float) -> NDArray[np.bool_]:
        """Return which corners lie within `reach` px of any of the places (K,)."""
        away = np.abs(self.found.tip[:, None] - places[None, :])
        near: NDArray[np.bool_] = np.any(away <= reach, axis=1)
        return near


def fit_ring(points: ComplexArray, tolerance: float) -> RingFit:
    """Fit a closed ring, points in px, metal on the left."""
    ring = ring_of(points)
    if ring is None or ring.length < 8:
        return RingFit(None, NO_CORNERS, (), simple_path(points, tolerance / 2))
    rough = max(1.0, tolerance / 0.1) ** 0.5
    fit = _fit_between(ring, corners(ring, tolerance), tolerance, rough)
    if not all(span.followed for span in fit.spans):
        tips = _within(ring, blunt_tips(ring, tolerance), fit)
        if len(tips.index):
            found = fit.found.with_others(tips, _CLEAR_PX * rough / ring.step, len(ring.even))
            other = _fit_between(ring, found, tolerance, rough)
            if _count(other) < _count(fit) and _keeps_to(ring, other.path(tolerance), tolerance):
                fit = other
    return fit


def _fit_between(ring: Ring, found: Corners, tolerance: float, rough: float) -> RingFit:
    """Fit the spans between corners, those that prove to be none left out."""
    known: dict[tuple[int, int], SpanFit] = {}
    while len(found.index):
        fit = RingFit(ring, found, _between(ring, found, tolerance, rough, known))
        kept = np.abs(_corner_turns(fit, tolerance)) > LEAST_TURN * rough
        if kept.all():
            return fit
        found = found.chosen(kept)
    circle = whole_circle(ring, tolerance)
    if circle is not None:
        return RingFit(ring, NO_CORNERS, (), circle)
    span = fit_span(whole_span(ring), ring.step, tolerance, rough)
    return RingFit(ring, NO_CORNERS, (span,))


def _within(ring: Ring, tips: Corners, fit: RingFit) -> Corners:
    """Return the tips that lie on spans that could not be followed, or at their ends."""
    ends = fit.found.index
    if not len(ends):
        return tips
    lost = np.array([not span.followed for span in fit.spans])
    reach = round(_CLEAR_PX / ring.step)
    near = np.zeros(len(tips.index), dtype=np.bool_)
    for shift in (-reach, 0, reach):
        place = (tips.index + shift) % len(ring.even)
        near |= lost[(np.searchsorted(ends, place, side="right") - 1) % len(ends)]
    return tips.chosen(near)


def _keeps_to(ring: Ring, path: Path, tolerance: float) -> bool:
    """Tell whether a path goes on beyond its ring by no more than a tip, and leaves none of it out.

    The round end of a stroke a few pixels wide can pass for a tip that the pixels took.
    """
    flat = path.points(tolerance)
    if len(flat) < 3:
        return False
    here, there = (shapely.LinearRing(np.column_stack([z.real, z.imag])) for z in (ring.even, flat))
    beyond = shapely.distance(shapely.points(flat.real, flat.imag), here).max()
    left_out = shapely.distance(shapely.points(ring.even.real, ring.even.imag), there).max()
    return bool(beyond <= 2 * tolerance + FURTHEST_TIP_PX and left_out <= 2 * tolerance + _ROUND_PX)


def _count(fit: RingFit) -> int:
    return sum(len(span.chain.segments) for span in fit.spans)


def _between(
    ring: Ring,
    found: Corners,
    tolerance: float,
    rough: float,
    known: dict[tuple[int, int], SpanFit],
) -> tuple[SpanFit, ...]:
    """Return the spans between the corners, fitted; `known` remembers those of an earlier round."""
    ends = found.index.tolist()
    fits = []
    for k, span in enumerate(cut_spans(ring, found)):
        name = (ends[k], ends[(k + 1) % len(ends)])
        if name not in known:
            known[name] = fit_span(span, ring.step, tolerance, rough)
        fits.append(known[name])
    return tuple(fits)


def _corner_turns(fit: RingFit, tolerance: float) -> FloatArray:
    """Return by how much the path turns at each corner; where it is blunt, as found."""
    turns = fit.found.turn.copy()
    segments = fit.path(tolerance).segments
    counts = [len(s.chain.segments) for s in fit.spans]
    if len(segments) == sum(counts):
        at = 0
        for k, count in enumerate(counts):
            turns[k] = turn_between(segments[at - 1], segments[at])
            at += count
    return turns


def whole_circle(ring: Ring, tolerance: float) -> Path | None:
    """Return the ring as one circle of two arcs, if it is one."""
    centre, radius, off = fit_circles(ring.vertices[None, :])
    worst = np.abs(off).max()
    if not worst <= LET_PASS * tolerance or not radius[0] < ring.length:
        return None
    if (np.abs(off) > tolerance).mean() > STRAY:
        return None
    if off.std() > 0.4 * tolerance:
        return None
    way = 1 if _area(ring.vertices) > 0 else -1
    c, r = complex(centre[0]), float(radius[0])
    return Path((Arc(c + r, c - r, way * math.pi), Arc(c - r, c + r, way * math.pi)))


def simple_path(points: ComplexArray, tolerance: float) -> Path:
    """Return the ring as a polygon within `tolerance`: for rings too small to be curves."""
    xy = np.column_stack([points.real, points.imag])
    polygon = shapely.Polygon(xy).simplify(tolerance)
    if not isinstance(polygon, shapely.Polygon) or polygon.is_empty or not polygon.is_valid:
        return polyline_path(points.tolist())
    corners_ = np.asarray(polygon.exterior.coords)[:-1]
    return polyline_path((corners_[:, 0] + 1j * corners_[:, 1]).tolist())


def _area(z: ComplexArray) -> float:
    return float((np.conj(z) * np.roll(z, -1)).imag.sum()) / 2
