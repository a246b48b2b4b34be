"""Mirror symmetry: artwork whose halves are alike but for the noise gets halves that are alike.

Each path is laid on the mirror image of itself or of another one, node on node; where all of them
fit, each pair of segments is replaced by its mean. Halves that were drawn with different segments
are left as they are.
"""

from collections.abc import Sequence

import numpy as np
import shapely

from tracer.curves.path import Path
from tracer.curves.segments import Arc, ComplexArray, Cubic, Line, Segment

_SLIDE_PX = 2.5
"""Nodes that the points do not hold may have slid this far along a smooth curve."""

_LEAST_NODES = 3
_FLATNESS = 0.1
"""Of the tolerance: how finely paths are compared."""


def made_symmetric(paths: Sequence[Path], tolerance: float) -> tuple[list[Path], str]:
    """Return the paths with both halves exactly alike, and about which line; "" where they differ.

    The line is upright or level, half way between the bounds of the whole. Nothing moves by more
    than the tolerance (px), or nothing moves at all.
    """
    flat = [path.points(_FLATNESS * tolerance) for path in paths]
    whole = np.concatenate([np.empty(0, np.complex128), *flat])
    if not len(whole) or any(len(p.segments) < _LEAST_NODES and p.circle is None for p in paths):
        return list(paths), ""
    for name, turn in (("an upright", 1j), ("a level", 1 + 0j)):
        # turned so that the line is level, for which the mirror image is the conjugate
        turned = [path.mapped(turn.conjugate(), 0j) for path in paths]
        up = (whole * turn.conjugate()).imag
        middle = float(up.min() + up.max()) / 2
        alike = _alike([path.mapped(1, -1j * middle) for path in turned], tolerance)
        if alike is not None:
            moved = [path.mapped(1, 1j * middle).mapped(turn, 0j) for path in alike]
            return moved, name
    return list(paths), ""


def _alike(paths: list[Path], tolerance: float) -> list[Path] | None:
    """Return the paths made symmetric about the level line through 0; None if one is not."""
    images = [_image(path) for path in paths]
    done: dict[int, Path] = {}
    for i, path in enumerate(paths):
        if i in done:
            continue
        for j in range(i, len(paths)):
            if j in done or len(paths[j].segments) != len(path.segments):
                continue
            mean = _mean_path(path, images[j], tolerance)
            if mean is not None:
                done[i] = mean
                if i != j:
                    done[j] = _image(mean)
                break
        else:
            return None
    return [done[i] for i in range(len(paths))]


def _image(path: Path) -> Path:
    """Return the mirror image about the level line through 0, run the same way round."""
    return Path(tuple(s.mirrored().reversed() for s in reversed(path.segments)))


def _mean_path(path: Path, image: Path, tolerance: float) -> Path | None:
    """Return the mean of a path and an image that lies on it, node on node; None if it does not."""
    nodes = np.array([s.start for s in path.segments])
    others = np.array([s.start for s in image.segments])
    if path.circle is not None and image.circle is not None:
        return _mean_circle(path, image, tolerance)
    first = int(np.abs(others - nodes[0]).argmin())
    if np.abs(np.roll(others, -first) - nodes).max() > _SLIDE_PX:
        return None
    turned = image.segments[first:] + image.segments[:first]
    pairs = list(zip(path.segments, turned, strict=True))
    if any(type(a) is not type(b) for a, b in pairs):
        return None
    mean = Path(tuple(_mean(a, b) for a, b in pairs))
    return mean if _near(mean, path, tolerance) and _near(mean, image, tolerance) else None


def _mean_circle(path: Path, image: Path, tolerance: float) -> Path | None:
    one, other = path.circle, image.circle
    assert one is not None
    assert other is not None
    if abs(one[0] - other[0]) > tolerance or abs(one[1] - other[1]) > tolerance:
        return None
    centre, radius = (one[0] + other[0]) / 2, (one[1] + other[1]) / 2
    way = np.pi if path.area > 0 else -np.pi
    east, west = centre + radius, centre - radius
    return Path((Arc(east, west, way), Arc(west, east, way)))


def _mean(a: Segment, b: Segment) -> Segment:
    start, end = (a.start + b.start) / 2, (a.end + b.end) / 2
    if isinstance(a, Arc) and isinstance(b, Arc):
        return Arc(start, end, (a.sweep + b.sweep) / 2)
    if isinstance(a, Cubic) and isinstance(b, Cubic):
        return Cubic(start, (a.control1 + b.control1) / 2, (a.control2 + b.control2) / 2, end)
    return Line(start, end)


def _near(one: Path, other: Path, tolerance: float) -> bool:
    a, b = (_line(p.points(_FLATNESS * tolerance)) for p in (one, other))
    return bool(shapely.hausdorff_distance(a, b, densify=0.5) <= tolerance)


def _line(z: ComplexArray) -> shapely.LinearRing:
    return shapely.LinearRing(np.column_stack([z.real, z.imag]))
