"""Samples on the boundary of a drawing: evenly spaced, crowded towards corners, and refined."""

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracer.curves.path import Drawing
from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment

FLATNESS_MM = 0.001
"""The polygon of samples stays this near to the curves."""
CORNER_RAD = math.radians(20)
"""A joint that turns more is a corner: samples crowd towards it."""
GRADING = 0.7
UNEVEN = 0.2
"""Samples are moved by at most half this part of their spacing."""

IntArray = NDArray[np.int64]


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


class Curves:
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


def first_samples(
    drawing: Drawing, lengths: list[int], coarse: float, fine: float, curves: Curves
) -> Samples:
    """Return the samples to begin with; `lengths` are the numbers of segments of the paths."""
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
    inner = np.flatnonzero(t > 0)
    ahead = np.append(t, 0.0)[inner + 1]
    gap = np.minimum(t[inner] - t[inner - 1], np.where(ahead > 0, ahead, 1.0) - t[inner])
    t[inner] += gap * _shifts(len(inner))
    return _samples(segment, t, ring, curves)


def _shifts(count: int) -> FloatArray:
    """Return uneven numbers within half of `UNEVEN`, the same every time (a golden sequence).

    Evenly spaced samples of facing sides lie on common circles by the hundred, where the
    triangulation depends on the last bit of its arithmetic; unevenly spaced ones do not.
    """
    golden = (math.sqrt(5) - 1) / 2
    return UNEVEN * (np.arange(1, count + 1, dtype=np.float64) * golden % 1 - 0.5)


def _samples(segment: IntArray, t: FloatArray, ring: IntArray, curves: Curves) -> Samples:
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
            count = max(count, (1 + UNEVEN) * abs(segment.sweep) / min(flat, math.pi / 8))
        case Cubic(start=p, control1=c1, control2=c2, end=q):
            bend = 6 * max(abs(p - 2 * c1 + c2), abs(c1 - 2 * c2 + q))
            count = max(count, (1 + UNEVEN) * math.sqrt(bend / (8 * FLATNESS_MM)), 4)
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


def refined(samples: Samples, parts: IntArray, curves: Curves) -> Samples:
    """Return the samples with chord k divided into `parts[k]`."""
    index = np.repeat(np.arange(len(parts)), parts)
    step = np.arange(len(index)) - np.repeat(np.cumsum(parts) - parts, parts)
    part = (samples.t_end - samples.t)[index] / parts[index]
    t = samples.t[index] + part * (step + np.where(step > 0, _shifts(len(step)), 0))
    return _samples(samples.segment[index], t, samples.ring[index], curves)
