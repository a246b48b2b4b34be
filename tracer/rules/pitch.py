"""Which pitch, the size of a pixel in mm, gives a finished outline its wanted size."""

from tracer.model import Points
from tracer.settings import Size, SizeBy

_LEAP = 1.02
"""By how much more than the pitch the size grows where a piece at the edge comes back."""


def pitch_for(rings: tuple[Points, ...], size: Size) -> float:
    """Return the size of a pixel in mm that gives the rings their wanted size."""
    if size.by is SizeBy.PITCH:
        return size.mm
    axis = 0 if size.by is SizeBy.WIDTH else 1
    low = min(float(ring[:, axis].min()) for ring in rings)
    high = max(float(ring[:, axis].max()) for ring in rings)
    return size.mm / (high - low)


def off_size(bounds: tuple[float, float, float, float], size: Size) -> float:
    """Return the factor that brings something with `bounds` to the wanted size."""
    left, bottom, right, top = bounds
    match size.by:
        case SizeBy.WIDTH:
            return size.mm / (right - left)
        case SizeBy.HEIGHT:
            return size.mm / (top - bottom)
        case SizeBy.PITCH:
            return 1.0


def next_pitch(tried: list[tuple[float, float]]) -> float:
    """Return the pitch to try next, from pitches and the share of the wanted size that they gave.

    The first time in proportion, then by the secant: what repair adds does not grow with the pitch.
    """
    (last, share), before = tried[-1], tried[-2:-1]
    for pitch, other in before:
        slope = (share - other) / (last - pitch)
        if slope > 0:
            return min(max(last + (1 - share) / slope, last / 2), 2 * last)
    return last / share


def leaps(tried: list[tuple[float, float]]) -> bool:
    """Tell whether the last two pitches give sizes on either side of the one wanted, too far apart.

    What repairs add does not grow with the pitch: sizes are nearer to each other than pitches.
    """
    if len(tried) < 2:
        return False
    (low, small), (high, large) = sorted(tried[-2:])
    return small < 1 < large and large / small > _LEAP * high / low
