"""A chain of segments with smooth joints, fitted as a whole to the points of its span.

Each segment alone fits its own points best, but then neighbours disagree about the tangent where
they meet. So all unknowns of a chain (nodes, sweeps of arcs, control points of cubics) are moved
together by Gauss-Newton steps on the squared distances of all points, under the condition that at
each smooth joint the tangents agree. The conditions are kept by Lagrange multipliers (J. Nocedal
and S. Wright, "Numerical Optimization", 2006, chapter 18); a little damping (Levenberg 1944) holds
what the points do not determine, such as a node that may slide along a smooth curve.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from tracer.curves.segments import Arc, ComplexArray, Cubic, FloatArray, Line, Segment
from tracer.fit.blocks import Condition, Index, Square, least_squares

_DAMPING = 0.02
"""Times the square of the tolerance, px: the noisier the points, the less they say of what they
hardly determine (A. Tikhonov 1963). By trial, as is the most."""
_MOST_DAMPING = 1e-3
_LEAST_SWEEP = 1e-3
_EXTENDED = 0.1
_SETTLED = 2e-3
"""Steps end when nothing moves by more than this, px."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A condition that a segment must keep, beyond the joints.

    kind is "angle" (of a line, radians modulo pi), "radius" or "centre" (of an arc), "start" or
    "end" (where the segment begins or ends); value is real or complex.
    """

    segment: int
    kind: str
    value: complex


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Segments in order; `smooth[k]` tells whether segment k meets the one after it smoothly.

    In a closed chain the last segment is followed by the first, and `smooth` is as long as
    `segments`; in an open one it is one shorter.
    """

    segments: tuple[Segment, ...]
    smooth: tuple[bool, ...]
    closed: bool
    rules: tuple[Rule, ...] = field(default=())


def fit_chain(
    chain: Chain,
    points: ComplexArray,
    weights: FloatArray,
    breaks: Index,
    tolerance: float,
    steps: int = 6,
) -> tuple[Chain, Index]:
    """Return the chain moved to where its points are, and the points at which segments now end.

    Parameters
    ----------
    chain
        First guess.
    points, weights
        (N,) in order along the chain, and the length that each stands for.
    breaks
        (segments + 1,), segment k owns the points breaks[k] to breaks[k + 1].
    tolerance
        How far points may lie off, px; the steps are damped by it.
    steps
        Number of Gauss-Newton steps.

    Returns
    -------
    (chain, breaks)
        In a closed chain the first break may have moved either way from 0; the last is as many
        points further as there are.

    Notes
    -----
    Never fails: a step that gives no finite chain is not taken and ends the search.
    """
    count = len(points)
    if len(chain.segments) == 1 and isinstance(chain.segments[0], Line) and not chain.closed:
        return _one_line(chain, chain.segments[0], points, weights), breaks
    if chain.closed:
        points, weights, breaks = np.tile(points, 3), np.tile(weights, 3), breaks + count
    damping = min(_MOST_DAMPING, _DAMPING * tolerance**2)
    for step in range(steps):
        moved = _step(chain, points, weights, breaks, damping)
        if moved is None:
            break
        shift = _largest_move(chain, moved)
        chain = moved
        breaks = _rebroken(chain, points, breaks)
        if step > 0 and shift < _SETTLED:
            break
    return chain, breaks - count if chain.closed else breaks


def _one_line(chain: Chain, line: Line, points: ComplexArray, weights: FloatArray) -> Chain:
    """Return a chain of one line as the points and the rules have it, which needs no steps."""
    middle = complex((weights * points).sum() / weights.sum())
    centred = points - middle
    way = complex(np.exp(0.5j * np.angle((weights * centred * centred).sum())))
    for rule in chain.rules:
        assert rule.kind == "angle", "a line keeps no other rule"
        way = complex(np.exp(1j * rule.value.real))
    ends = [middle + ((z - middle) * way.conjugate()).real * way for z in (line.start, line.end)]
    return replace(chain, segments=(Line(*ends),))


def deviations(chain: Chain, points: ComplexArray, breaks: Index) -> FloatArray:
    """Return the signed distance of each point from its segment, positive to the left.

    The ends of an open chain count as extended a little: they will be cut to meet another chain.
    """
    parts = []
    for k, segment in enumerate(chain.segments):
        a, b = breaks[k], breaks[k + 1]
        t = foot(segment, points[a:b], *_range(chain, k))
        away = points[a:b] - segment.at(t)
        parts.append(np.copysign(np.abs(away), (away * np.conj(tangent(segment, t))).imag))
    return np.concatenate(parts)


def _range(chain: Chain, k: int) -> tuple[float, float]:
    """Return the range of parameters of segment k on which points may lie."""
    low = 0.0 if chain.closed or k > 0 else -_EXTENDED
    high = 1.0 if chain.closed or k < len(chain.segments) - 1 else 1 + _EXTENDED
    return low, high


def joint_angles(chain: Chain) -> FloatArray:
    """Return the angle in radians by which the direction turns at each joint."""
    n = len(chain.segments)
    pairs = range(n if chain.closed else n - 1)
    turn = [
        chain.segments[(k + 1) % n].start_tangent * chain.segments[k].end_tangent.conjugate()
        for k in pairs
    ]
    return np.angle(np.array(turn, dtype=np.complex128))


def foot(segment: Segment, points: ComplexArray, low: float = 0.0, high: float = 1.0) -> FloatArray:
    """Return the parameter in [low, high] of the nearest point of a segment to each point, (N,).

    Exact for lines and arcs. For cubics a search over 17 places and three Newton steps: nearest
    for points that lie closer to the curve than its least radius.
    """
    t: FloatArray
    match segment:
        case Line():
            along = segment.end - segment.start
            t = ((points - segment.start) * along.conjugate()).real / max(abs(along) ** 2, 1e-18)
        case Arc():
            centre = segment.centre
            half = segment.sweep / 2
            middle = (segment.start - centre) * np.exp(1j * half)
            t = 0.5 + np.angle((points - centre) / middle) / segment.sweep
        case Cubic():
            t = _cubic_foot(segment, points, low, high)
    nearest: FloatArray = np.minimum(np.maximum(t, low), high)
    return nearest


def _cubic_foot(cubic: Cubic, points: ComplexArray, low: float, high: float) -> FloatArray:
    c = 3 * (cubic.control1 - cubic.start)
    b = 3 * (cubic.control2 - cubic.control1) - c
    a = cubic.end - cubic.start - c - b
    grid = np.linspace(0.0, 1.0, 17)
    at = cubic.start + grid * (c + grid * (b + grid * a))
    across, up = points.real[:, None] - at.real, points.imag[:, None] - at.imag
    t: FloatArray = grid[(across * across + up * up).argmin(axis=1)]
    for _ in range(3):
        away = cubic.start + t * (c + t * (b + t * a)) - points
        d1 = c + t * (2 * b + 3 * t * a)
        d2 = 2 * b + 6 * t * a
        speed2 = d1.real * d1.real + d1.imag * d1.imag
        slope = speed2 + d2.real * away.real + d2.imag * away.imag
        fall = d1.real * away.real + d1.imag * away.imag
        t = t - fall / np.maximum(slope, 0.25 * speed2 + 1e-12)
        t = np.minimum(np.maximum(t, low), high)
    return t


def tangent(segment: Segment, t: FloatArray) -> ComplexArray:
    """Return the unit direction at t, shape as `t`."""
    match segment:
        case Line():
            return np.full(len(t), segment.start_tangent)
        case Arc():
            turned: ComplexArray = segment.start_tangent * np.exp(1j * segment.sweep * t)
            return turned
        case Cubic():
            c = 3 * (segment.control1 - segment.start)
            b = 3 * (segment.control2 - segment.control1) - c
            a = segment.end - segment.start - c - b
            d1 = c + t * (2 * b + 3 * t * a)
            size = np.abs(d1)
            small = size < 1e-9
            return np.where(small, segment.start_tangent, d1 / np.where(small, 1.0, size))


def _influence(segment: Segment, t: FloatArray) -> tuple[list[ComplexArray | FloatArray], int]:
    """Return how C(t) moves with each complex unknown, then with each real one; and their count.

    Complex unknowns: start, end and, of a cubic, the control points between. The only real
    unknown is the sweep of an arc, whose points are ``start + (end - start) g`` with
    ``g = (e^{i sweep t} - 1) / (e^{i sweep} - 1)``.
    """
    match segment:
        case Line():
            return [1 - t, t], 2
        case Arc():
            phi = segment.sweep
            turned, whole = np.exp(1j * phi * t), np.exp(1j * phi)
            g = (turned - 1) / (whole - 1)
            slope = 1j * (t * turned * (whole - 1) - (turned - 1) * whole) / (whole - 1) ** 2
            return [1 - g, g, (segment.end - segment.start) * slope], 2
        case Cubic():
            s = 1 - t
            return [s**3, t**3, 3 * s * s * t, 3 * s * t * t], 4


def _layout(chain: Chain) -> tuple[list[Index], Index]:
    """Return for each segment the columns of its unknowns, and the block of each unknown.

    Block k holds the node where segment k starts, then what is within that segment.
    """
    columns, blocks = [], []
    own = [1 if isinstance(s, Arc) else 4 if isinstance(s, Cubic) else 0 for s in chain.segments]
    nodes = [0]
    for k, inner in enumerate(own):
        blocks += [k] * (2 + inner)
        nodes.append(nodes[-1] + 2 + inner)
    if chain.closed:
        nodes[-1] = 0
    else:
        blocks += [len(own), len(own)]
    for k, inner in enumerate(own):
        a, b = nodes[k], nodes[k + 1]
        columns.append(np.array([a, a + 1, b, b + 1, *range(a + 2, a + 2 + inner)], dtype=np.intp))
    return columns, np.array(blocks, dtype=np.intp)


def _step(
    chain: Chain, points: ComplexArray, weights: FloatArray, breaks: Index, damping: float
) -> Chain | None:
    """Take one Gauss-Newton step under the conditions; None when it leads nowhere."""
    columns, blocks = _layout(chain)
    squares = []
    for k, segment in enumerate(chain.segments):
        a, b = breaks[k], breaks[k + 1]
        if b <= a:
            continue
        matrix, residual = _rows(segment, points[a:b], *_range(chain, k))
        weighted = matrix * weights[a:b]
        squares.append(Square(columns[k], weighted @ matrix.T, weighted @ residual))
    if not chain.closed:
        squares += _held_ends(chain, columns)
    try:
        moved = least_squares(blocks, squares, _conditions(chain, columns), damping)
    except np.linalg.LinAlgError:
        return None
    return _moved(chain, columns, _held(chain, columns, moved))


def _held_ends(chain: Chain, columns: list[Index]) -> list[Square]:
    """Return what keeps the free ends of a chain from sliding along it: no point says where."""
    squares = []
    for k, at in ((0, 0), (-1, 2)):
        segment = chain.segments[k]
        tangent = segment.start_tangent if at == 0 else segment.end_tangent
        way = np.array([tangent.real, tangent.imag])
        squares.append(Square(columns[k][at : at + 2], np.outer(way, way), np.zeros(2)))
    return squares


def _held(chain: Chain, columns: list[Index], moved: FloatArray) -> FloatArray:
    """Return the step, shortened so that nothing moves by more than a share of its segment."""
    share = 1.0
    for segment, own in zip(chain.segments, columns, strict=True):
        longest = 1.0 + 0.25 * abs(segment.end - segment.start)
        sizes = np.abs(moved[own[:4]]) if isinstance(segment, Arc) else np.abs(moved[own])
        share = min(share, longest / max(float(sizes.max()), 1e-12))
    return moved * share


def _rows(
    segment: Segment, points: ComplexArray, low: float, high: float
) -> tuple[FloatArray, FloatArray]:
    """Return (unknowns, N) influence on the distance across the curve, and (N,) that distance."""
    t = foot(segment, points, low, high)
    normal = 1j * tangent(segment, t)
    influence, complex_count = _influence(segment, t)
    rows = []
    for j, value in enumerate(influence):
        across = np.conj(normal) * value
        rows.append(across.real)
        if j < complex_count:
            rows.append(-across.imag)
    residual = (np.conj(normal) * (points - segment.at(t))).real
    return np.array(rows), residual


def _moved(chain: Chain, columns: list[Index], moved: FloatArray) -> Chain | None:
    if not np.isfinite(moved).all():
        return None
    segments: list[Segment] = []
    for segment, own in zip(chain.segments, columns, strict=True):
        d = moved[own]
        start = segment.start + complex(d[0], d[1])
        end = segment.end + complex(d[2], d[3])
        match segment:
            case Line():
                segments.append(Line(start, end))
            case Arc():
                sweep = segment.sweep + float(np.clip(d[4], -0.3, 0.3))
                if not _LEAST_SWEEP < abs(sweep) < 6.2 or sweep * segment.sweep < 0:
                    sweep = np.copysign(_LEAST_SWEEP if abs(sweep) < 3 else 6.2, segment.sweep)
                segments.append(Arc(start, end, float(sweep)))
            case Cubic():
                control1 = segment.control1 + complex(d[4], d[5])
                control2 = segment.control2 + complex(d[6], d[7])
                segments.append(Cubic(start, control1, control2, end))
    if any(abs(s.end - s.start) < 1e-6 for s in segments):
        return None
    return replace(chain, segments=tuple(segments))


def _largest_move(before: Chain, after: Chain) -> float:
    half = np.array([0.0, 0.5, 1.0])
    return max(
        float(np.abs(s.at(half) - t.at(half)).max())
        for s, t in zip(before.segments, after.segments, strict=True)
    )


def _rebroken(chain: Chain, points: ComplexArray, breaks: Index) -> Index:
    """Return the breaks moved to the nodes: the points before a node lie behind its tangent.

    The ends of an open chain keep their points.
    """
    new = breaks.copy()
    count = len(chain.segments)
    widths = np.diff(breaks)
    for k in range(1, count + chain.closed):
        node, tangent = chain.segments[k % count].start, chain.segments[k % count].start_tangent
        low = int(breaks[k]) - int(widths[k - 1]) // 2
        high = int(breaks[k]) + int(widths[k % count]) // 2
        along = ((points[low:high] - node) * tangent.conjugate()).real
        new[k] = low + int((along < 0).sum())
    if chain.closed:
        new[0] = new[-1] - len(points) // 3
    return np.maximum.accumulate(new)


def _conditions(chain: Chain, columns: list[Index]) -> list[Condition]:
    """Return the linearised conditions, with the amounts by which they are still broken."""
    n = len(chain.segments)
    conditions = []
    for k, smooth in enumerate(chain.smooth):
        if not smooth:
            continue
        j = (k + 1) % n
        before, after = chain.segments[k], chain.segments[j]
        values = [_angle_slope(before, at_end=True), -_angle_slope(after, at_end=False)]
        wanted = float(np.angle(after.start_tangent * before.end_tangent.conjugate()))
        conditions.append(
            Condition(j, np.concatenate([columns[k], columns[j]]), np.concatenate(values), wanted)
        )
    for rule in chain.rules:
        k = rule.segment
        for slope, amount in _rule_rows(chain.segments[k], rule):
            conditions.append(Condition(k, columns[k], slope, amount))
    return conditions


def _turning(vector: complex) -> tuple[float, float]:
    """Return the derivative of the angle of a vector by its x and y."""
    size2 = max(abs(vector) ** 2, 1e-12)
    return -vector.imag / size2, vector.real / size2


def _angle_slope(segment: Segment, *, at_end: bool) -> FloatArray:
    """Return the derivative of the tangent's angle at one end by the segment's unknowns."""
    match segment:
        case Line():
            x, y = _turning(segment.end - segment.start)
            return np.array([-x, -y, x, y])
        case Arc():
            x, y = _turning(segment.end - segment.start)
            return np.array([-x, -y, x, y, 0.5 if at_end else -0.5])
        case Cubic():
            if at_end:
                x, y = _turning(segment.end - segment.control2)
                return np.array([0, 0, x, y, 0, 0, -x, -y])
            x, y = _turning(segment.control1 - segment.start)
            return np.array([-x, -y, 0, 0, x, y, 0, 0])


def _rule_rows(segment: Segment, rule: Rule) -> list[tuple[FloatArray, float]]:
    """Return the rows and amounts of one rule, see `Rule`."""
    if rule.kind in ("start", "end"):
        at = 0 if rule.kind == "start" else 2
        away = rule.value - (segment.start if at == 0 else segment.end)
        unit = np.zeros(
            (2, 8 if isinstance(segment, Cubic) else 5 if isinstance(segment, Arc) else 4)
        )
        unit[0, at] = unit[1, at + 1] = 1.0
        return [(unit[0], away.real), (unit[1], away.imag)]
    if isinstance(segment, Line):
        turn = np.exp(1j * rule.value.real) * segment.start_tangent.conjugate()
        angle = float(np.angle(turn * turn)) / 2
        return [(_angle_slope(segment, at_end=True), angle)]
    assert isinstance(segment, Arc), "radius and centre are rules of arcs"
    chord, half = segment.end - segment.start, segment.sweep / 2
    sine = np.sin(half)
    if rule.kind == "radius":
        way = chord / abs(chord)
        by = 1 / (2 * abs(sine))
        slope = -segment.radius * np.cos(half) / (2 * sine)
        row = np.array([-way.real, -way.imag, way.real, way.imag]) * by
        return [(np.append(row, slope), rule.value.real - segment.radius)]
    cot = np.cos(half) / sine
    away = rule.value - segment.centre
    # centre = start + (end - start) (1 + i cot) / 2
    k = (1 + 1j * cot) / 2
    by_sweep = -1j * chord / (4 * sine * sine)
    x = np.array([1 - k.real, k.imag, k.real, -k.imag, by_sweep.real])
    y = np.array([-k.imag, 1 - k.real, k.imag, k.real, by_sweep.imag])
    return [(x, away.real), (y, away.imag)]
