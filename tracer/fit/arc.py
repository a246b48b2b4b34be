"""Circles through many spans of points at once."""

import numpy as np

from tracer.curves.segments import ComplexArray, FloatArray

_STEPS = 6
"""Newton steps on the characteristic polynomial; it converges from 0 in three or four."""


def fit_circles(points: ComplexArray) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Fit a circle to each row of `points` algebraically, then by one step of Gauss-Newton.

    Parameters
    ----------
    points
        (P, M) complex, M >= 3.

    Returns
    -------
    (centre, radius, distance)
        (P,), (P,) and (P, M) the signed distance of each point, positive outside. Points on a
        straight line give a circle so large that its distances are those of the line, or, if they
        are exactly straight, an infinite radius and infinite distances.

    Notes
    -----
    G. Taubin, "Estimation of planar curves, surfaces and nonplanar space curves defined by implicit
    equations", IEEE Trans. PAMI 13, 1991: moments of the points about their mean, scaled, and
    the least root of the characteristic polynomial by Newton's method from zero. The step after it
    minimises the true distances (linearised), which takes away the bias of short arcs.
    """
    middle = points.mean(axis=1)
    centred = points - middle[:, None]
    spread = np.sqrt((np.abs(centred) ** 2).mean(axis=1))
    spread = np.where(spread > 0, spread, 1.0)
    scaled = centred / spread[:, None]
    x, y = scaled.real, scaled.imag
    z = x * x + y * y
    mxx, myy, mxy = (x * x).mean(axis=1), (y * y).mean(axis=1), (x * y).mean(axis=1)
    mxz, myz, mzz = (x * z).mean(axis=1), (y * z).mean(axis=1), (z * z).mean(axis=1)
    mz = mxx + myy
    cov = mxx * myy - mxy * mxy
    a3 = 4 * mz
    a2 = -3 * mz * mz - mzz
    a1 = mzz * mz + 4 * cov * mz - mxz * mxz - myz * myz - mz * mz * mz
    a0 = mxz * mxz * myy + myz * myz * mxx - mzz * cov - 2 * mxz * myz * mxy + mz * mz * cov
    root = np.zeros_like(mz)
    for _ in range(_STEPS):
        slope = a1 + root * (2 * a2 + 3 * a3 * root)
        value = a0 + root * (a1 + root * (a2 + root * a3))
        root = root - value / np.where(np.abs(slope) > 1e-300, slope, 1.0)
    below = root * root - root * mz + cov
    straight = np.abs(below) < 1e-12
    below = np.where(straight, 1.0, 2 * below)
    offset = (mxz * (myy - root) - myz * mxy) / below
    offset = offset + 1j * (myz * (mxx - root) - mxz * mxy) / below
    radius = np.sqrt(np.abs(offset) ** 2 + mz)
    offset, radius = _improved(scaled, offset, radius)
    distance = (np.abs(scaled - offset[:, None]) - radius[:, None]) * spread[:, None]
    distance = np.where(straight[:, None], np.inf, distance)
    return (
        middle + offset * spread,
        np.where(straight, np.inf, radius * spread),
        distance,
    )


def _improved(
    points: ComplexArray, centre: ComplexArray, radius: FloatArray
) -> tuple[ComplexArray, FloatArray]:
    """Take one Gauss-Newton step on the sum of squared distances; all (P,) but `points`."""
    out = points - centre[:, None]
    far = np.abs(out)
    unit = out / np.where(far > 0, far, 1.0)
    c, s = unit.real, unit.imag
    residual = far - radius[:, None]
    # normal equations for (dx, dy, dr), the mean taken out so that 2 x 2 are left
    cm, sm, rm = c.mean(axis=1), s.mean(axis=1), residual.mean(axis=1)
    c, s, residual = c - cm[:, None], s - sm[:, None], residual - rm[:, None]
    cc, cs, ss = (c * c).mean(axis=1), (c * s).mean(axis=1), (s * s).mean(axis=1)
    cr, sr = (c * residual).mean(axis=1), (s * residual).mean(axis=1)
    det = cc * ss - cs * cs
    usable = det > 1e-12 * (cc + ss) ** 2
    det = np.where(usable, det, 1.0)
    dx = np.where(usable, (cr * ss - sr * cs) / det, 0.0)
    dy = np.where(usable, (sr * cc - cr * cs) / det, 0.0)
    dr = np.where(usable, rm + cm * dx + sm * dy, 0.0)
    worse = np.abs(dx) + np.abs(dy) > 0.5 * radius
    dx, dy, dr = (np.where(worse, 0.0, v) for v in (dx, dy, dr))
    return centre + dx + 1j * dy, radius + dr


def sweeps(
    start: ComplexArray, middle: ComplexArray, end: ComplexArray, centre: ComplexArray
) -> FloatArray:
    """Return the angle about `centre` from `start` through `middle` to `end`, signed, radians."""
    first = np.angle((middle - centre) * np.conj(start - centre))
    second = np.angle((end - centre) * np.conj(middle - centre))
    return first + second
