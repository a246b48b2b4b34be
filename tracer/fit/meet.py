"""Where two segments meet when extended, and segments cut or extended to there."""

import numpy as np

from tracer.curves.segments import Arc, Cubic, Line, Segment


def meeting(before: Segment, after: Segment) -> tuple[float, float] | None:
    """Return the parameters (t, u) at which `before` and `after`, extended, meet.

    Newton's method from t = 1, u = 0; None when it does not converge on a crossing.
    """
    t, u = 1.0, 0.0
    for _ in range(12):
        p, dp = at(before, t)
        q, dq = at(after, u)
        gap = q - p
        cross = (dp.conjugate() * dq).imag
        if abs(cross) <= 1e-3 * abs(dp) * abs(dq) or not np.isfinite(abs(gap)):
            return None
        dt = (gap.conjugate() * dq).imag / cross
        du = (gap.conjugate() * dp).imag / cross
        t, u = t + min(max(dt, -0.5), 0.5), u + min(max(du, -0.5), 0.5)
        if abs(dt) + abs(du) < 1e-12:
            break
    else:
        return None
    if not (0.05 < t < 3.0 and -2.0 < u < 0.95):
        return None
    return t, u


def at(segment: Segment, t: float) -> tuple[complex, complex]:
    """Return place and derivative at t, which may lie outside [0, 1]."""
    match segment:
        case Line():
            return segment.start + (segment.end - segment.start) * t, segment.end - segment.start
        case Arc():
            centre = segment.centre
            out = (segment.start - centre) * np.exp(1j * segment.sweep * t)
            return complex(centre + out), complex(1j * segment.sweep * out)
        case Cubic():
            c = 3 * (segment.control1 - segment.start)
            b = 3 * (segment.control2 - segment.control1) - c
            a = segment.end - segment.start - c - b
            place = segment.start + t * (c + t * (b + t * a))
            return place, c + t * (2 * b + 3 * t * a)


def cut(segment: Segment, first: float, last: float, start: complex, end: complex) -> Segment:
    """Return the stretch of a segment between two parameters, which may lie outside [0, 1].

    Its ends are set to `start` and `end`, where they are but for rounding.
    """
    match segment:
        case Line():
            return Line(start, end)
        case Arc():
            return Arc(start, end, segment.sweep * (last - first))
        case Cubic():
            _, dp = at(segment, first)
            _, dq = at(segment, last)
            third = (last - first) / 3
            return Cubic(start, start + dp * third, end - dq * third, end)
