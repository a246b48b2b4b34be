"""Walls of real curves against offsets of the curves themselves, cut by an independent library."""

import math

import pytest
import shapely
import trimesh

from tests.drawings import mixed
from tests.piece.forms import spot
from tracer.curves.path import Drawing
from tracer.piece.flat import region_of
from tracer.piece.mesh import Mesh, mesh_of
from tracer.piece.solid import FACET_MM, solid_of
from tracer.piece.values import Level, Piece
from tracer.pipeline import trace
from tracer.settings import Role, Settings, Size, SizeBy

FINE_MM = 0.0002
STEP_MM = 0.02
LEAN = math.tan(math.radians(2))
DRAWN = {drawing.name: drawing for drawing in mixed(6, seed=4)}


def traced(name: str) -> Drawing:
    """Return an icon or glyph 30 mm wide, about the middle of the blank."""
    settings = Settings(Size(SizeBy.WIDTH, 30.0), role=Role.RAISED, process="as-drawn")
    drawing = trace(DRAWN[name].png(512), name, settings).fitted.drawing
    left, bottom, right, top = drawing.bounds
    return drawing.mapped(1.0, -complex(left + right, bottom + top) / 2)


def wall_at(piece: Piece, z: float) -> shapely.Geometry:
    """Return the true line of the walls at a height between foot and face, in closed form."""
    [level] = piece.levels
    top = piece.body_mm + level.height_mm
    design = region_of(level.drawing, FINE_MM)
    if level.height_mm > 0:
        return shapely.boundary(design.buffer((top - z) * LEAN, quad_segs=64))
    rise = max(0.0, z - piece.body_mm + piece.edge_radius_mm)
    inset = z * LEAN + piece.edge_radius_mm - math.sqrt(piece.edge_radius_mm**2 - rise**2)
    blank = region_of(piece.outline, FINE_MM).buffer(-inset, quad_segs=256)
    pocket = design.buffer(-(piece.body_mm - z) * LEAN, quad_segs=64)
    return shapely.boundary(blank.difference(pocket))


def cut(mesh: Mesh, z: float) -> shapely.Geometry:
    """Return the line in which trimesh cuts a mesh."""
    judge = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    lines = judge.section(plane_origin=(0, 0, z), plane_normal=(0, 0, 1)).discrete
    return shapely.MultiLineString([line[:, :2] for line in lines])


def apart(a: shapely.Geometry, b: shapely.Geometry) -> float:
    """Return the largest distance of either line from the other, sampled all along."""

    def reach(one: shapely.Geometry, other: shapely.Geometry) -> float:
        points = shapely.points(shapely.get_coordinates(shapely.segmentize(one, STEP_MM)))
        return float(shapely.distance(points, other).max())

    return max(reach(a, b), reach(b, a))


def off_by(drawing: Drawing, height: float, sagitta: float = FACET_MM) -> float:
    """Return how far the walls of a mesh lie from the true ones at three heights."""
    name = "raised" if height > 0 else "sunk"
    piece = Piece(
        spot(45), 5.0, (Level(name, drawing, height),),
        edge_radius_mm=0.8, draft_deg=2.0, fillet_mm=0.3,
    )  # fmt: skip
    mesh = mesh_of(solid_of(piece, sagitta))
    heights = (5.37, 5.61, 5.93) if height > 0 else (4.35, 4.5, 4.66)
    return max(apart(cut(mesh, z), wall_at(piece, z)) for z in heights)


def test_the_ruler() -> None:
    """A line moved by 0.03 mm, and one with a tooth that a sample each side would pass over."""
    here = shapely.box(0, 0, 10, 4)
    tooth = here.union(shapely.box(4, 4, 4.03, 4.03))
    assert apart(here.boundary, here.boundary) == 0
    assert apart(shapely.box(0, 0, 10, 4.03).boundary, here.boundary) == pytest.approx(0.03)
    assert apart(tooth.boundary, here.boundary) == pytest.approx(0.03)


@pytest.mark.slow
@pytest.mark.parametrize("height", [1.0, -1.0])
@pytest.mark.parametrize("name", DRAWN)
def test_walls_of_real_curves_lie_within_a_fiftieth(name: str, height: float) -> None:
    drawing = traced(name)
    assert off_by(drawing, height) < 0.02
    assert off_by(drawing, height, sagitta=0.05) > 0.02  # coarser facets are seen
