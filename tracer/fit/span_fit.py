"""A span with a chain fitted to it, and how well that follows its points."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tracer.curves.segments import FloatArray
from tracer.fit.chain import Chain, Rule, deviations, fit_chain, joint_angles
from tracer.fit.joints import sound
from tracer.fit.spans import Span

LET_PASS = 1.5
"""Times the tolerance that a span may be off at last, and that stray points may be off."""
STRAY = 0.015
"""Share of the points of a span that may stray."""

_KINK = math.radians(0.5)


@dataclass(frozen=True, slots=True, eq=False)
class SpanFit:
    """A span with the chain fitted to it."""

    chain: Chain
    breaks: NDArray[np.intp]
    span: Span  # as begun
    shift: int  # sample at which a closed span begins
    away: FloatArray  # (N,), distance of each point from the chain
    kinks: list[int]  # segments that are ill-formed or should end smoothly and do not

    def within(self, tolerance: float) -> bool:
        """Tell whether the chain is well-formed and follows all but a few stray points."""
        stray = int((self.away > tolerance).sum())
        return self.worst <= LET_PASS * tolerance and stray <= STRAY * len(self.away)

    def ruled(self, rules: tuple[Rule, ...], tolerance: float) -> "SpanFit | None":
        """Return the span fitted again under more rules; None if it then strays."""
        if len(self.breaks) != len(self.chain.segments) + 1:
            return None
        chain = replace(self.chain, rules=self.chain.rules + rules)
        fit = fitted(chain, self.span, self.breaks, self.shift, tolerance)
        allowed = max(LET_PASS * tolerance if self.worst > tolerance else tolerance, self.worst)
        return fit if fit.worst <= allowed else None

    def points_of(self, chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Return how many points each of the chosen segments has."""
        return np.diff(self.breaks)[chosen]

    @property
    def followed(self) -> bool:
        """Whether chosen segments follow the span; else it was left to straight lines."""
        return len(self.breaks) > 0

    @property
    def worst(self) -> float:
        """Largest distance of a point, px; inf where the chain is ill-formed."""
        return math.inf if self.kinks else float(self.away.max())


def fitted(
    chain: Chain, span: Span, breaks: NDArray[np.intp], shift: int, tolerance: float
) -> SpanFit:
    """Return the chain fitted to the points of the span, and how well it follows them."""
    chain, breaks = fit_chain(chain, span.points, span.weights, breaks, tolerance)
    if span.closed:
        moved = int(breaks[0])
        span, breaks = _rolled(span, moved), breaks - moved
    away = np.abs(deviations(chain, span.points, breaks))
    turns = np.abs(joint_angles(chain))
    kinks = [k for k, s in enumerate(chain.smooth) if s and not turns[k] <= _KINK]
    kinks += [k for k, s in enumerate(chain.segments) if not sound(s)]
    return SpanFit(chain, breaks, span, shift, away, kinks)


def _rolled(span: Span, count: int) -> Span:
    """Return a closed span whose points begin `count` later."""
    return replace(
        span,
        points=np.roll(span.points, -count),
        weights=np.roll(span.weights, -count),
        place=np.roll(span.place, -count),
    )
