"""Cubic curves through many spans of points at once."""

import numpy as np

from tracer.curves.segments import ComplexArray, FloatArray


def fit_cubics(
    points: ComplexArray, *, rounds: int = 3
) -> tuple[ComplexArray, ComplexArray, FloatArray]:
    """Fit a cubic to each row of `points`, through its first and last point, by least squares.

    Parameters
    ----------
    points
        (P, M) complex, in order along the span, about evenly spaced.
    rounds
        How often the points are projected onto the curve and the curve is moved.

    Returns
    -------
    (control1, control2, distance)
        (P,), (P,) and (P, M) the signed distance of each point, positive to the left.

    Notes
    -----
    P. J. Schneider, "An algorithm for automatically fitting digitized curves", Graphics Gems, 1990:
    parameters by arc length, least squares. Adapted: both inner control points are free, since the
    tangents at the joints are settled later, with the neighbours; and after that only distances
    across the curve are minimised (Gauss-Newton), which converges in a few rounds where moving
    the parameters point by point takes many (W. Wang, H. Pottmann, Y. Liu, "Fitting B-spline curves
    to point clouds by curvature-based squared distance minimization", ACM TOG 25, 2006, 3.2).
    """
    u = _by_length(points)
    start, end = points[:, :1], points[:, -1:]
    control1, control2 = _solved(points, u)
    for _ in range(rounds):
        at, first = _curve(start, control1[:, None], control2[:, None], end, u)
        u = _nearer(points, at, first, u)
        at, first = _curve(start, control1[:, None], control2[:, None], end, u)
        move1, move2 = _moves(points - at, first, u)
        control1, control2 = control1 + move1, control2 + move2
    at, first = _curve(start, control1[:, None], control2[:, None], end, u)
    u = _nearer(points, at, first, u)
    at, first = _curve(start, control1[:, None], control2[:, None], end, u)
    off = (points - at) * np.conj(first) / np.maximum(np.abs(first), 1e-12)
    # a point whose foot is not yet found lies further off than across; count both
    return control1, control2, np.copysign(np.abs(off), off.imag)


def _nearer(
    points: ComplexArray, at: ComplexArray, first: ComplexArray, u: FloatArray
) -> FloatArray:
    speed2 = np.maximum(first.real**2 + first.imag**2, 1e-12)
    away = points - at
    ahead = away.real * first.real + away.imag * first.imag
    return np.clip(u + ahead / speed2, 0.0, 1.0)


def _moves(
    away: ComplexArray, first: ComplexArray, u: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return the Gauss-Newton moves of both inner control points, lightly damped."""
    normal = 1j * first / np.maximum(np.abs(first), 1e-12)
    v = 1 - u
    b1, b2 = 3 * u * v * v, 3 * u * u * v
    x, y = normal.real, normal.imag
    rows = np.stack([x * b1, y * b1, x * b2, y * b2], axis=1)
    across = away.real * x + away.imag * y
    matrix = rows @ rows.transpose(0, 2, 1)
    right = (rows @ across[:, :, None])[:, :, 0]
    damping = 1e-3 * np.trace(matrix, axis1=1, axis2=2)[:, None] + 1e-9
    k = np.arange(4)
    matrix[:, k, k] += damping
    moves = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    return moves[:, 0] + 1j * moves[:, 1], moves[:, 2] + 1j * moves[:, 3]


def _by_length(points: ComplexArray) -> FloatArray:
    steps = np.abs(np.diff(points, axis=1))
    along = np.concatenate([np.zeros((len(points), 1)), np.cumsum(steps, axis=1)], axis=1)
    share: FloatArray = along / np.maximum(along[:, -1:], 1e-12)
    return share


def _solved(points: ComplexArray, u: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Return the two inner control points that fit best at the parameters `u`."""
    v = 1 - u
    b1, b2 = 3 * u * v * v, 3 * u * u * v
    rest = points - v**3 * points[:, :1] - u**3 * points[:, -1:]
    c11, c12, c22 = (b1 * b1).sum(axis=1), (b1 * b2).sum(axis=1), (b2 * b2).sum(axis=1)
    x1, x2 = (b1 * rest).sum(axis=1), (b2 * rest).sum(axis=1)
    det = c11 * c22 - c12 * c12
    sound = det > 1e-9 * c11 * c22
    det = np.where(sound, det, 1.0)
    third = (points[:, -1] - points[:, 0]) / 3
    control1 = np.where(sound, (x1 * c22 - x2 * c12) / det, points[:, 0] + third)
    control2 = np.where(sound, (x2 * c11 - x1 * c12) / det, points[:, -1] - third)
    return control1, control2


def _curve(
    p0: ComplexArray, p1: ComplexArray, p2: ComplexArray, p3: ComplexArray, u: FloatArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return place and derivative at `u`."""
    c = 3 * (p1 - p0)
    b = 3 * (p2 - p1) - c
    a = p3 - p0 - c - b
    return p0 + u * (c + u * (b + u * a)), c + u * (2 * b + 3 * u * a)


def well_formed(
    start: ComplexArray, control1: ComplexArray, control2: ComplexArray, end: ComplexArray
) -> np.typing.NDArray[np.bool_]:
    """Tell which cubics have no loop, no cusp and no handle longer than the span.

    Sufficient, not necessary: both handles lie within 80 degrees of the chord on either side or, if
    not, turn the same way by at most 170 degrees in all; and each handle is at most as long as
    the polygon's span.
    """
    chord = end - start
    size = np.abs(chord)
    safe = np.where(size > 0, chord, 1.0)
    out, back = (control1 - start) / safe, (end - control2) / safe
    turn = np.angle(np.where(out != 0, out, 1.0)), np.angle(np.where(back != 0, back, 1.0))
    one_way = turn[0] * turn[1] <= 0
    bend = ~one_way | (np.abs(turn[0]) + np.abs(turn[1]) < 2.97)
    steep = np.maximum(np.abs(turn[0]), np.abs(turn[1])) < np.where(one_way, 2.3, 1.4)
    return (size > 0) & (np.abs(out) <= 1.0) & (np.abs(back) <= 1.0) & bend & steep
