"""A solid as one closed triangle mesh.

Between two successive sections the surface is the ring-shaped region of the lower minus the upper
one, triangulated in plan by a constrained Delaunay triangulation and lifted: each vertex takes the
height of the section that it belongs to. Since the sections are nested with room between them, the
surface is a graph over the plane: closed, without self-intersection, and it stays so where an
offset changes its number of parts.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.regions import as_region
from tracer.model import Region
from tracer.piece.solid import Solid

_GRID = 1e-4
"""mm: vertices lie on this grid, so that equal points are equal numbers."""

_APART = 5e-4
"""mm: a section keeps at least this distance inside the one below it."""

_MOST_TRIES = 4

Keys = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """A closed surface: vertices (N, 3) in mm and triangles (M, 3), outward normals."""

    vertices: NDArray[np.float64]
    triangles: NDArray[np.int64]

    def scaled(self, factor: float) -> "Mesh":
        """Return the mesh scaled about the origin."""
        return Mesh(self.vertices * factor, self.triangles)

    @property
    def volume_mm3(self) -> float:
        """Volume by the divergence theorem."""
        a, b, c = (self.vertices[self.triangles[:, k]] for k in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)

    @property
    def centroid_mm(self) -> NDArray[np.float64]:
        """Centroid of the volume."""
        a, b, c = (self.vertices[self.triangles[:, k]] for k in range(3))
        six = np.einsum("ij,ij->i", a, np.cross(b, c))
        return np.asarray((six[:, None] * (a + b + c)).sum(axis=0) / (4 * six.sum()))

    def area_mm2(self, *, back: bool = True) -> float:
        """Area of the surface; without the flat back if asked."""
        a, b, c = (self.vertices[self.triangles[:, k]] for k in range(3))
        normals = np.cross(b - a, c - a) / 2
        areas = np.linalg.norm(normals, axis=1)
        if not back:
            down = (normals[:, 2] < 0) & (a[:, 2] == 0) & (b[:, 2] == 0) & (c[:, 2] == 0)
            areas = areas[~down]
        return float(areas.sum())

    def open_edges(self) -> int:
        """Return how many edges are not shared by exactly two triangles run in opposite ways."""
        t = self.triangles
        edges = np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
        size = len(self.vertices)
        forward = edges[:, 0] * size + edges[:, 1]
        backward = edges[:, 1] * size + edges[:, 0]
        once = len(np.unique(forward)) == len(forward)
        missing = len(np.setdiff1d(forward, backward))
        return missing + (0 if once else len(forward) - len(np.unique(forward)))


def mesh_of(solid: Solid) -> Mesh:
    """Return the surface of a solid.

    Deviates from the solid by less than 0.02 mm: flattened curves by their sagitta, roundings by
    that of their steps, and `_APART` where walls would stand upright.

    Raises
    ------
    AssertionError
        The surface is not closed; a fault of ours.
    """
    layers = nested_layers(solid)
    back = _lifted(layers[0][1], [layers[0]])[:, ::-1]  # (k, 3, 3): triangles with heights
    front = [
        _lifted(lower[1].difference(upper[1]), [lower, upper]) for lower, upper in pairwise(layers)
    ]
    front.append(_lifted(layers[-1][1], [layers[-1]]))
    mesh = _indexed(np.concatenate([*_parted(back, front[0]), *front[1:]]))
    assert mesh.open_edges() == 0, f"{mesh.open_edges()} open edges in the mesh"
    return mesh


def nested_layers(solid: Solid) -> list[tuple[float, Region]]:
    """Return (height, section) from the back up, each strictly within the one before it."""
    layers: list[tuple[float, Region]] = []
    for z, above in solid.heights():
        section = _on_grid(solid.section(z, above=above))
        if layers:
            section = _within(section, layers[-1][1])
        if section.is_empty:
            break
        layers.append((z, section))
    assert layers, "a piece without a section"
    return layers


def _within(section: Region, below: Region) -> Region:
    """Return a section cut back so that it stays `_APART` inside the one below."""
    room = below.buffer(-_APART, join_style="mitre")
    if room.contains(section):
        return section
    return _on_grid(section.intersection(room))


def _on_grid(section: shapely.Geometry) -> Region:
    """Put vertices on the grid, with no vertex used twice."""
    # coordinates like 1e-185 raise flags of the processor in GEOS, which rounds them to 0
    with np.errstate(all="ignore"):
        section = shapely.set_precision(section, _GRID)
    region = as_region(section)
    for attempt in range(1, _MOST_TRIES + 1):
        region = as_region(shapely.MultiPolygon([p for p in region.geoms if p.area > _GRID]))
        keys = _keys(shapely.get_coordinates(region))
        rings = sum(1 + len(polygon.interiors) for polygon in region.geoms)
        if len(np.unique(keys)) == len(keys) - rings:
            return region
        # two rings touch at a point: open it by a hair
        region = as_region(shapely.set_precision(region.buffer(-2 * _GRID * attempt), _GRID))
    return region


def _keys(points: NDArray[np.float64]) -> Keys:
    whole = np.rint(points / _GRID).astype(np.int64)
    return (whole[..., 0] << 32) + whole[..., 1]


def _lifted(shape: shapely.Geometry, layers: list[tuple[float, Region]]) -> NDArray[np.float64]:
    """Triangulate a planar shape, each vertex at the height of its layer; (k, 3, 3), normals up."""
    polygons = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(polygons))
    while len(triangles) and (shapely.get_type_id(triangles) != shapely.GeometryType.POLYGON).any():
        triangles = shapely.get_parts(triangles)
    corners = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3]
    first, second = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    clockwise = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0] < 0
    corners[clockwise] = corners[clockwise][:, ::-1]
    keys = _keys(corners)
    height = np.full(keys.shape, np.nan)
    for z, region in layers:
        height[np.isin(keys, _keys(shapely.get_coordinates(region)))] = z
    assert not np.isnan(height).any(), "a vertex that belongs to no section"
    return np.concatenate([corners, height[..., None]], axis=-1)


def _parted(
    back: NDArray[np.float64], wall: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Keep the back and the lowest wall from sharing more than the outline.

    Both triangulate the inside of the lowest section. Where three of its vertices make a triangle
    of both, that is a flap without thickness: both go. Where they share a chord, the back's is
    split at its middle.
    """
    wall_keys, back_keys = _keys(wall[..., :2]), _keys(back[..., :2])
    flat = (wall[..., 2] == back[0, 0, 2]).all(axis=1)
    both = set(map(tuple, np.sort(wall_keys[flat], axis=1))) & set(
        map(tuple, np.sort(back_keys, axis=1))
    )
    if both:
        keep_wall = [
            not (f and tuple(k) in both) for f, k in zip(flat, np.sort(wall_keys), strict=True)
        ]
        keep_back = [tuple(k) not in both for k in np.sort(back_keys)]
        wall, back = wall[keep_wall], back[keep_back]
        wall_keys = wall_keys[keep_wall]
    chords = _chords(wall, wall_keys, back[0, 0, 2])
    if not chords:
        return back, wall
    whole = list(back)
    done: list[NDArray[np.float64]] = []
    while whole:  # each split takes one shared chord away, so this ends
        triangle = whole.pop()
        keys = _keys(triangle[:, :2])
        shared = [k for k in range(3) if frozenset((keys[k], keys[(k + 1) % 3])) in chords]
        if not shared:
            done.append(triangle)
            continue
        a, b, c = np.roll(triangle, -shared[0], axis=0)
        middle = (a + b) / 2
        whole += [np.array([a, middle, c]), np.array([middle, b, c])]
    return np.array(done), wall


def _chords(wall: NDArray[np.float64], keys: Keys, low: float) -> set[frozenset[np.int64]]:
    """Return the edges between two triangles of the wall whose ends both lie on the back."""
    count: dict[frozenset[np.int64], int] = {}
    for k in range(3):
        both = (wall[:, k, 2] == low) & (wall[:, (k + 1) % 3, 2] == low)
        for edge in map(frozenset, zip(keys[both, k], keys[both, (k + 1) % 3], strict=True)):
            count[edge] = count.get(edge, 0) + 1
    return {edge for edge, times in count.items() if times == 2}


def _indexed(triangles: NDArray[np.float64]) -> Mesh:
    flat = triangles.reshape(-1, 3)
    whole = np.rint(flat / np.array([_GRID / 2, _GRID / 2, 1e-9])).astype(np.int64)
    _, first, index = np.unique(whole, axis=0, return_index=True, return_inverse=True)
    return Mesh(flat[first], index.reshape(-1, 3))
