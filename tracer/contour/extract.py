"""Coverage to rings: sub-pixel iso-lines."""

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.model import Coverage, Points

LEVEL = np.float32(0.5)
NEAREST = 1e-3
"""A vertex stays this far, in px, from pixel centres, so that rings through one do not touch."""
SMALLEST_AREA_PX2 = 2.5e-3
AS_NEAR = 1e-9
"""Px within which two vertices are as near to the middle as each other: rounding."""


def extract_rings(coverage: Coverage) -> tuple[Points, ...]:
    """Return the closed level-1/2 lines of a coverage.

    Promised: every ring is simple and no two rings cross or touch. Ink lies on the left of the
    way as seen on the artwork, so outer rings run counter-clockwise and openings clockwise.
    Artwork that touches the border is closed there, as if a row of empty pixels stood around it.
    Rings stand in the order of the scan, and each starts at the vertex nearest to the middle of its
    area: the same one however the artwork is turned, mirrored or shifted. Where ink touches ink
    over the corner of a pixel it is joined if the mean of the four pixels is at least 1/2 (always
    in 1-bit artwork), else parted.

    Not promised: the true place of the edge; see `refine_rings`.

    Parameters
    ----------
    coverage
        Values (H, W); a pixel of exactly 1/2 counts as ink.

    Returns
    -------
    tuple of Points
        Each ring (N, 2), N at least 4, in px, y down, first pixel centre at (0.5, 0.5), the last
        point not repeated. Rings of less than `SMALLEST_AREA_PX2` are dropped.

    Notes
    -----
    Marching squares (Lorensen and Cline, "Marching cubes", SIGGRAPH 1987, in two dimensions), done
    on the cells that the line passes only: pages are mostly flat.
    """
    values = coverage.values
    ink = values >= LEVEL
    margin = 0
    if any(side.any() for side in (ink[0], ink[-1], ink[:, 0], ink[:, -1])):
        margin, values, ink = 1, np.pad(values, 1), np.pad(ink, 1)
    points, follows = _linked_crossings(values, ink)
    points += 0.5 - margin
    cycles = _cycles(follows)
    return tuple(_begun(ring) for ring in (points[c] for c in cycles) if _is_large(ring))


def _is_large(ring: Points) -> bool:
    return float(shapely.area(shapely.Polygon(ring))) >= SMALLEST_AREA_PX2


def _begun(ring: Points) -> Points:
    """Return a ring from the vertex nearest to its middle on; of several as near, from the first.

    What samples a ring from its start then does so alike in every copy of the artwork.
    """
    middle = shapely.get_coordinates(shapely.centroid(shapely.Polygon(ring)))[0]
    away = np.hypot(*(ring - middle).T)
    return np.roll(ring, -int(np.argmax(away < away.min() + AS_NEAR)), axis=0)


def _linked_crossings(
    values: NDArray[np.float32], ink: NDArray[np.bool_]
) -> tuple[Points, NDArray[np.intp]]:
    """Return where the line crosses between neighbouring pixels, and which crossing follows each.

    Crossings are numbered by rows, first those between horizontal neighbours, then those between
    vertical ones. Cell k of the grid has pixel k as its top left corner.
    """
    width = values.shape[1]
    flat, flat_ink = values.ravel(), ink.ravel()
    across = np.flatnonzero(flat_ink[:-1] != flat_ink[1:])  # the margin parts the rows
    down = np.flatnonzero(flat_ink[:-width] != flat_ink[width:])
    x = np.concatenate([across % width + _share(flat, across, 1), (down % width).astype(float)])
    y = np.concatenate([(across // width).astype(float), down // width + _share(flat, down, width)])

    # Ink on the left of the way: up past ink on the left, east below ink, and so on.
    up, east = flat_ink[across], flat_ink[down]
    into = np.concatenate([np.where(up, across - width, across), np.where(east, down, down - 1)])
    out_of = np.concatenate([np.where(up, across, across - width), np.where(east, down - 1, down)])
    entering = np.argsort(into, kind="stable")
    leaving = np.argsort(out_of, kind="stable")

    # Two lines pass a cell whose inked corners face each other; as sorted above they part ink on
    # the falling diagonal and join ink on the rising one.
    cells = into[entering]
    first = np.flatnonzero(cells[:-1] == cells[1:])
    cell = cells[first]
    # in double precision the sum of four is exact, so flipped artwork is joined alike
    around = np.stack([cell, cell + 1, cell + width, cell + width + 1])
    mean = flat[around].sum(axis=0, dtype=np.float64) / 4
    swap = first[(mean >= LEVEL) == flat_ink[cell]]
    leaving[swap], leaving[swap + 1] = leaving[swap + 1], leaving[swap]

    follows = np.empty(len(x), dtype=np.intp)
    follows[entering] = leaving
    return np.column_stack([x, y]), follows


def _share(flat: NDArray[np.float32], at: NDArray[np.intp], step: int) -> NDArray[np.float64]:
    """Return how far the line lies from pixel `at` towards pixel `at + step`, by proportion."""
    here, there = flat[at].astype(float), flat[at + step].astype(float)
    share: NDArray[np.float64] = np.clip((0.5 - here) / (there - here), NEAREST, 1 - NEAREST)
    return share


def _cycles(follows: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Return the cycles of a permutation, each from its least member, in the order of those."""
    after = follows.tolist()
    seen = bytearray(len(after))
    cycles = []
    for start in range(len(after)):
        if seen[start]:
            continue
        cycle = []
        at = start
        while not seen[at]:
            seen[at] = 1
            cycle.append(at)
            at = after[at]
        cycles.append(np.array(cycle))
    return cycles
