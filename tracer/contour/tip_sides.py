"""The two sides of a sharp tip of a ring: arcs that meet."""

import math
from dataclasses import dataclass, replace

import numpy as np

from tracer.contour.area import Floats
from tracer.model import Points

ARM_PX = 3.0
"""The ends of a ring's arms, so long, show which way a tip points."""
FURTHEST_PX = 20.0
"""No tip is drawn out by more than this."""
_LONGEST_PX = 26.0
"""A tip whose sides are not told apart so far from its end is left as it is."""
_STEEPEST = 0.95
"""Sine of the angle to the axis up to which a side is followed."""
_PARTS = 32
_CUTTINGS = 4
"""The stretch in which sides meet is cut so often into so many parts: to a millionth of a pixel."""
_TURNS = 3
"""So often the axis is turned to the middle between the sides."""
_FEWEST = 4
_BEHIND = 4
_SMOOTH_PX = 0.2
"""So many vertices behind its begin a side goes on along the ring, as near as this."""
_STEP_PX = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Arms:
    """Both sides of a tip, in a frame with its end at the origin and u running on out of it.

    A side is v = a u^2 + b u + c, given as (a, b, c); of the six numbers of both the first three
    are those of the side before the end.
    """

    origin: Points  # (2,)
    frame: Floats  # (2, 2), the ways of u and v
    first: int  # the vertices at which the sides begin
    last: int
    old: Points  # the ring from the one to the other
    starts: tuple[float, float]  # u of both
    behind: tuple[Floats, Floats]  # (K, 2) each, u and v of the ring before them
    clear: float  # u from which on back both sides are told apart
    begun: Floats  # (6,), straight sides
    meet: float  # u at which they meet
    above: float  # 1 where v of the first side is the larger, else -1

    def seen_from(self, points: Points) -> tuple[Floats, Floats]:
        """Return how far points (..., 2) lie along the tip's axis, and beside it."""
        u, v = np.moveaxis((points - self.origin) @ self.frame.T, -1, 0)
        return u, v - np.polyval((self.begun[:3] + self.begun[3:]) / 2, u)

    def meeting(self, sides: Floats) -> float | None:
        """Return the u at which sides first meet, None where they do not or are out of place."""
        u = np.append(np.arange(self.clear, FURTHEST_PX, _STEP_PX), FURTHEST_PX)
        for _ in range(_CUTTINGS):
            apart = self.above * (_side(sides[:3], u) - _side(sides[3:], u))
            crossed = np.flatnonzero(apart <= 0)
            if not len(crossed) or crossed[0] == 0:
                return None
            u = np.linspace(u[crossed[0] - 1], u[crossed[0]], _PARTS + 1)
        return float((u[0] + u[-1]) / 2)

    def goes_on(self, sides: Floats) -> bool:
        """Tell whether sides lead on smoothly to the ring behind them: else it is rough there."""
        both = zip((sides[:3], sides[3:]), self.behind, strict=True)
        off = [float(np.abs(_side(side, arm[:, 0]) - arm[:, 1]).max()) for side, arm in both]
        return max(off) < _SMOOTH_PX

    def way(self, sides: Floats, meet: float) -> tuple[Floats, Floats]:
        """Return u (N,) of the ways along both sides, each up to the tip, and the points (N, 2).

        The tip stands twice: it belongs to both.
        """
        us = []
        for start in self.starts:
            count = max(3, math.ceil((meet - start) / _STEP_PX) + 1)
            us.append(np.linspace(start, meet, count)[1:])
        us[1] = us[1][::-1]
        vs = [_side(side, u) for side, u in zip((sides[:3], sides[3:]), us, strict=True)]
        u, v = np.concatenate(us), np.concatenate(vs)
        return u, np.column_stack([u, v]) @ self.frame + self.origin


def _side(side: Floats, u: Floats) -> Floats:
    """Return v along a side: an arc that at u = 0 touches the parabola a u^2 + b u + c."""
    a, b, c = side
    cosine = 1 / math.sqrt(1 + b * b)
    sine, bend = b * cosine, 2 * a * cosine**3
    turned = np.clip(sine + bend * u, -_STEEPEST, _STEEPEST)
    v: Floats = c + u * (2 * sine + bend * u) / (cosine + np.sqrt(1 - turned * turned))
    return v


def arms_of(ring: Points, at: int, clear_px: float, side_px: float) -> Arms | None:
    """Return both sides of the tip at a vertex as they begin, straight; None where there is none.

    The sides must run back from the end without turning, until the tip is `clear_px` wide, and on
    over about `side_px`; lines through what lies there must meet beyond the end or just before it.
    """
    n, step = len(ring), spacing(ring)
    reach = max(2, round(ARM_PX / step))
    most = min(round((_LONGEST_PX + side_px) / step), n // 2 - 1)
    backs = [ring[(at + way * np.arange(1, most + 1)) % n] - ring[at] for way in (-1, 1)]
    axis = -(backs[0][reach - 1] + backs[1][reach - 1])
    if math.hypot(*axis) < ARM_PX:
        return None
    seen = None
    for _ in range(_TURNS):
        seen = _seen_apart(backs, axis, clear_px, side_px)
        if seen is None:
            return None
        axis = seen.frame[0] - seen.lean * seen.frame[1]
    assert seen is not None
    clear, end = seen.clear, seen.end
    sides = [arm[(-arm[:, 0] >= clear) & (-arm[:, 0] <= end)] for arm in seen.arms]
    if min(map(len, sides)) < _FEWEST:
        return None
    lines = [line for s in sides for line in (0.0, *np.polyfit(s[:, 0], s[:, 1], 1).tolist())]
    ends = [int(np.flatnonzero(-arm[:, 0] <= end)[-1]) for arm in seen.arms]
    old = np.arange(at - 1 - ends[0], at + 2 + ends[1])
    begun = Arms(
        origin=ring[at],
        frame=seen.frame,
        first=(at - 1 - ends[0]) % n,
        last=(at + 1 + ends[1]) % n,
        old=ring[old % n],
        starts=(float(seen.arms[0][ends[0], 0]), float(seen.arms[1][ends[1], 0])),
        behind=(
            seen.arms[0][ends[0] : ends[0] + _BEHIND],
            seen.arms[1][ends[1] : ends[1] + _BEHIND],
        ),
        clear=-clear,
        begun=np.array(lines),
        meet=0.0,
        above=seen.above,
    )
    meet = begun.meeting(begun.begun)
    return None if meet is None or meet < -1.0 else replace(begun, meet=meet)


def spacing(ring: Points) -> float:
    """Return how far apart the vertices of a ring are on average."""
    return float(np.hypot(*np.diff(ring, axis=0).T).mean())


@dataclass(frozen=True, slots=True, eq=False)
class _SeenApart:
    """Both arms of a ring about a tip, as far as they fall, and where they are told apart."""

    frame: Floats
    arms: tuple[Floats, Floats]  # (K, 2) each, u and v
    clear: float  # from so far behind the tip ...
    end: float  # ... to here
    lean: float  # slope of the middle between them
    above: float


def _seen_apart(
    backs: list[Points], axis: Floats, clear_px: float, side_px: float
) -> _SeenApart | None:
    """Return both arms in the frame of an axis; None where they are nowhere wide enough."""
    axis = axis / math.hypot(*axis)
    frame = np.array([axis, [-axis[1], axis[0]]])
    turned = [back @ frame.T for back in backs]
    one, other = (arm[: _falling(arm[:, 0])] for arm in turned)
    u = np.arange(0.0, -max(one[-1, 0], other[-1, 0]), 0.25)
    v, w = (np.interp(u, -arm[:, 0], arm[:, 1]) for arm in (one, other))
    wide = np.flatnonzero(np.abs(v - w) >= clear_px)
    if not len(wide) or u[wide[0]] > _LONGEST_PX:
        return None
    clear = max(float(u[wide[0]]), 0.5)
    end = min(clear + side_px, float(u[-1]))
    if end - clear < 0.5 * side_px:
        return None
    chosen = (u >= clear) & (u <= end)
    lean = float(np.polyfit(u[chosen], (v + w)[chosen] / 2, 1)[0])
    above = float(np.sign(v[wide[0]] - w[wide[0]]))
    return _SeenApart(frame, (one, other), clear, end, lean, above)


def _falling(u: Floats) -> int:
    """Return how many of u fall one after the other; of the first three, the ring's end, any."""
    rise = np.flatnonzero(np.diff(u[2:]) >= -1e-3)
    return int(rise[0]) + 3 if len(rise) else len(u)
