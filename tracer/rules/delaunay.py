"""Delaunay triangulation of many points on straight lines and circles.

shapely (GEOS) triangulates fast, but along straight sides its result is not Delaunay: compared
with Qhull a tenth of the triangles differed in a sheet of strips. So its edges are flipped until
every one passes the test (Lawson, "Software for C1 surface interpolation", 1977).
"""

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.segments import ComplexArray

IntArray = NDArray[np.int64]

MOST_FLIPS = 200
"""Rounds of flips; each flips all edges that do not hinder each other. A dozen is usual."""
MOST_ATTEMPTS = 12
_CERTAIN = 1e-10
"""Of the sine of the sum of two angles: below it four points count as on one circle."""


def delaunay(point: ComplexArray) -> IntArray:
    """Return the Delaunay triangles of points as indices, (T, 3), counter-clockwise.

    Of points that coincide only one is used. Triangles without height occur where points are
    collinear to rounding; their direction is that of the others.
    """
    triangles = _first(point)
    p = point[triangles]
    # all run the same way; rounding may change the sign of a flat one, but not of the sum
    if _cross(p[:, 0], p[:, 1], p[:, 2]).sum() < 0:
        triangles = np.ascontiguousarray(triangles[:, ::-1])
    for _ in range(MOST_FLIPS):
        if not _flip(point, triangles):
            break
    return triangles


def opposites(triangles: IntArray, size: int) -> IntArray:
    """Return for each half edge (three a triangle, in order) the one that runs back; -1: none."""
    start, end = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    key, back = start * size + end, end * size + start
    order = np.argsort(key)
    place = np.searchsorted(key[order], back)
    place[place == len(key)] = 0
    found: IntArray = order[place]
    return np.where(key[found] == back, found, -1)


def _first(point: ComplexArray) -> IntArray:
    """Return the triangles that GEOS finds, as indices.

    At times it cannot find its way among nearly collinear points (LocateFailureException), by the
    last bits of the coordinates: then they are turned and moved by less than a millionth of a mm.
    """
    used = point
    for attempt in range(MOST_ATTEMPTS):
        try:
            return _indices(used)
        except shapely.errors.GEOSException:
            rng = np.random.default_rng(attempt)
            noise = rng.uniform(-1, 1, (len(point), 2)) @ np.array([1, 1j])
            used = (point + 1e-9 * 1.7**attempt * noise) * np.exp(1j * (attempt + 1))
    return _indices(used)


def _indices(point: ComplexArray) -> IntArray:
    found = shapely.delaunay_triangles(
        shapely.MultiPoint(np.column_stack([point.real, point.imag]))
    )
    corners = shapely.get_coordinates(found).reshape(-1, 4, 2)[:, :3]
    seen = corners[..., 0] + 1j * corners[..., 1]
    order = np.argsort(point, kind="stable")
    triangles: IntArray = order[np.searchsorted(point[order], seen)].astype(np.int64)
    return triangles


def _flip(point: ComplexArray, triangles: IntArray) -> bool:
    """Flip edges whose two opposite angles sum to more than 180 degrees; tell if there were any."""
    opposite = opposites(triangles, len(point))
    half = np.flatnonzero(opposite > np.arange(len(opposite)))
    other = opposite[half]
    a, b = triangles.ravel()[half], np.roll(triangles, -1, axis=1).ravel()[half]
    third = np.roll(triangles, -2, axis=1).ravel()
    c, d = third[half], third[other]
    pa, pb, pc, pd = point[a], point[b], point[c], point[d]
    # the angle at c times the angle at d, as complex numbers: their arguments add up
    both = np.conj(pa - pc) * (pb - pc) * np.conj(pb - pd) * (pa - pd)
    wrong = both.imag < -_CERTAIN * np.abs(both)
    wrong &= (_cross(pa, pd, pc) > 0) & (_cross(pd, pb, pc) > 0)
    index = np.flatnonzero(wrong)
    if not len(index):
        return False
    left, right = half[index] // 3, other[index] // 3
    first = np.full(len(triangles), len(half))
    np.minimum.at(first, left, index)
    np.minimum.at(first, right, index)
    free = (first[left] == index) & (first[right] == index)
    index, left, right = index[free], left[free], right[free]
    triangles[left] = np.column_stack([a[index], d[index], c[index]])
    triangles[right] = np.column_stack([d[index], b[index], c[index]])
    return True


def _cross(p: ComplexArray, q: ComplexArray, r: ComplexArray) -> NDArray[np.float64]:
    """Return twice the signed area of triangles."""
    return np.asarray((np.conj(q - p) * (r - p)).imag)
