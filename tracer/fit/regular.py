"""Regularity within the noise: what is all but level, parallel or alike is made so.

Nothing is moved for good that then strays from its points by more than the fit tolerance: each
span is fitted again under the new rules, and where that strays, the rules are dropped.
"""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tracer.curves.path import Path
from tracer.curves.segments import Arc, Line
from tracer.fit.chain import Rule
from tracer.fit.ring import RingFit
from tracer.fit.span_fit import SpanFit

_SHARE = 0.5
"""A rule may ask for a move of at most this share of the tolerance."""

_LEAST_LINE_PX = 4.0
_LEAST_SWEEP = 0.6
_ALIKE = 0.03
"""Radii further apart than this share are meant to differ."""


@dataclass(frozen=True, slots=True)
class _Part:
    """A segment in its place: ring, span, number; what is compared, its slack and its weight."""

    ring: int
    span: int
    segment: int  # -1: the whole ring is a circle
    value: float
    slack: float  # how far the value may be moved
    weight: float


def made_regular(
    fits: Sequence[RingFit], tolerance: float
) -> tuple[list[RingFit], tuple[str, ...]]:
    """Return the rings made regular, and sentences that say what was done.

    Straight sides become exactly level, upright or parallel; arcs and circles of one radius get
    exactly one; circles with one centre get exactly one.
    """
    fits = list(fits)
    levelled, parallel = _directions(fits, tolerance)
    radii = _radii(fits, tolerance)
    counts = {"level": 0, "parallel": 0, "radius": 0}
    wanted: dict[tuple[int, int], list[tuple[str, Rule]]] = {}
    for name, kind, found in (
        ("level", "angle", levelled),
        ("parallel", "angle", parallel),
        ("radius", "radius", radii),
    ):
        for part, value in found:
            if part.segment < 0:
                fits[part.ring] = _circle(fits[part.ring], radius=value)
                counts["radius"] += 1
            else:
                rule = Rule(part.segment, kind, value)
                wanted.setdefault((part.ring, part.span), []).append((name, rule))
    for (ring, span), named in sorted(wanted.items()):
        done, fit = _ruled(fits[ring].spans[span], named, tolerance)
        for name in done:
            counts[name] += 1
        spans = list(fits[ring].spans)
        spans[span] = fit
        fits[ring] = replace(fits[ring], spans=tuple(spans))
    concentric = _concentric(fits, tolerance)
    said = [
        (counts["level"], "made exactly level or upright", "straight side"),
        (counts["parallel"], "made exactly parallel to another", "straight side"),
        (counts["radius"], "given exactly the radius shared with another", "arc"),
        (concentric, "given exactly the centre shared with another", "circle"),
    ]
    return fits, tuple(
        f"{n} {what}{'s' if n > 1 else ''} {done}" for n, done, what in said if n > 0
    )


def _ruled(
    fit: SpanFit, named: list[tuple[str, Rule]], tolerance: float
) -> tuple[list[str], SpanFit]:
    """Return which rules could be kept, and the span under them: all of them, else one by one."""
    whole = fit.ruled(tuple(rule for _, rule in named), tolerance)
    if whole is not None:
        return [name for name, _ in named], whole
    done = []
    for name, rule in named if len(named) > 1 else []:
        one = fit.ruled((rule,), tolerance)
        if one is not None:
            fit = one
            done.append(name)
    return done, fit


def _directions(
    fits: Sequence[RingFit], tolerance: float
) -> tuple[list[tuple[_Part, float]], list[tuple[_Part, float]]]:
    """Return lines to be made level or upright, and lines to be made parallel, with angles."""
    level, others = [], []
    for i, fit in enumerate(fits):
        for j, span in enumerate(fit.spans):
            for k, line in enumerate(span.chain.segments):
                if not isinstance(line, Line) or line.length < _LEAST_LINE_PX:
                    continue
                angle = cmath.phase(line.end - line.start) % math.pi
                slack = _SHARE * tolerance / (line.length / 2)
                part = _Part(i, j, k, angle, slack, line.length**3)
                quarter = round(angle / (math.pi / 2)) * math.pi / 2
                if abs(angle - quarter) <= min(slack, 0.03):
                    level.append((part, quarter))
                else:
                    others.append(part)
    return level, _alike(others)


def _radii(fits: Sequence[RingFit], tolerance: float) -> list[tuple[_Part, float]]:
    parts = []
    for i, fit in enumerate(fits):
        circle = fit.fixed.circle if fit.fixed is not None else None
        if circle is not None:
            radius = circle[1]
            slack = min(_SHARE * tolerance, _ALIKE * radius)
            parts.append(_Part(i, 0, -1, radius, slack, 2 * math.pi * radius))
        for j, span in enumerate(fit.spans):
            for k, arc in enumerate(span.chain.segments):
                if isinstance(arc, Arc) and abs(arc.sweep) >= _LEAST_SWEEP:
                    rise = max(1 - math.cos(min(abs(arc.sweep) / 2, math.pi)), 0.04)
                    slack = min(_SHARE * tolerance / rise, _ALIKE * arc.radius)
                    parts.append(_Part(i, j, k, arc.radius, slack, arc.length * rise))
    return _alike(parts)


def _alike(parts: list[_Part]) -> list[tuple[_Part, float]]:
    """Return the parts whose values are alike, each with the weighted mean of its group."""
    found: list[tuple[_Part, float]] = []
    group: list[_Part] = []
    for part in [*sorted(parts, key=lambda p: (p.value, p.ring, p.span, p.segment)), None]:
        mean = _mean([*group, part]) if part is not None else 0.0
        if part is not None and all(abs(p.value - mean) <= p.slack for p in [*group, part]):
            group.append(part)
            continue
        if len(group) > 1:
            found += [(p, _mean(group)) for p in group]
        group = [part] if part is not None else []
    return found


def _mean(parts: list[_Part]) -> float:
    weights = [p.weight for p in parts]
    total = math.fsum(p.value * w for p, w in zip(parts, weights, strict=True))
    return total / math.fsum(weights)


def _circle(fit: RingFit, *, radius: float | None = None, centre: complex | None = None) -> RingFit:
    """Return a ring that is a circle with another radius or centre."""
    assert fit.fixed is not None
    known = fit.fixed.circle
    assert known is not None
    c = known[0] if centre is None else centre
    r = known[1] if radius is None else radius
    sweep = math.copysign(math.pi, fit.fixed.area)
    return replace(fit, fixed=Path((Arc(c + r, c - r, sweep), Arc(c - r, c + r, sweep))))


def _concentric(fits: list[RingFit], tolerance: float) -> int:
    """Give circles with all but one centre exactly one; return how many."""
    left: list[tuple[int, tuple[complex, float]]] = []
    for i, fit in enumerate(fits):
        circle = fit.fixed.circle if fit.fixed is not None else None
        if circle is not None:
            left.append((i, circle))
    count = 0
    while left:
        near = [(i, c) for i, c in left if abs(c[0] - left[0][1][0]) <= _SHARE * tolerance]
        left = [entry for entry in left if entry not in near]
        if len(near) > 1:
            weights = np.array([c[1] for _, c in near])
            centres = np.array([c[0] for _, c in near])
            centre = complex((weights * centres).sum() / weights.sum())
            for i, _ in near:
                fits[i] = _circle(fits[i], centre=centre)
            count += len(near)
    return count
