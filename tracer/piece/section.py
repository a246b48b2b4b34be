"""A cut through the piece along a vertical line, from its nested sections."""

import numpy as np
import shapely

from tracer.model import Points, Region


def cut_along(layers: list[tuple[float, Region]], x: float) -> list[Points]:
    """Return the outlines of the cut at x: (N, 2) arrays of (y, z), closed along the back.

    The surface is a graph over the plane and every section lies within the one below, so the
    crossings of the line with the edges of all sections, in order of y, are the profile.
    """
    crossings = []
    for z, region in layers:
        left, bottom, right, top = region.bounds
        if not left < x < right:
            continue
        line = shapely.LineString([(x, bottom - 1), (x, top + 1)])
        inside = line.intersection(region)
        for part in shapely.get_parts(inside):
            if part.length > 0:
                low, high = shapely.get_coordinates(part)[[0, -1], 1]
                crossings += [(float(low), z), (float(high), z)]
    if not crossings:
        return []
    points = np.array(sorted(crossings))
    on_back = np.flatnonzero(points[:, 1] <= layers[0][0])
    return [points[low : high + 1] for low, high in zip(on_back[::2], on_back[1::2], strict=True)]
