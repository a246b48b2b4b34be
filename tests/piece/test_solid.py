"""The solid and its mesh against closed forms and against an independent mesh library."""

import io
import itertools
import math
import zipfile
from dataclasses import replace

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import example, given

from tests.piece.forms import (
    DISC,
    box,
    centroid,
    drawing_of,
    frustum_mm3,
    ring,
    rounded_disc_mm3,
    sector,
    spot,
)
from tracer.piece.balance import integrate, tilt_deg
from tracer.piece.blank import Disc, Oval, Rectangle, drawn_blank, grown_blank, grown_silhouette
from tracer.piece.flat import region_of
from tracer.piece.mesh import Mesh, mesh_of, nested_layers
from tracer.piece.meshfile import write_3mf, write_stl
from tracer.piece.section import cut_along
from tracer.piece.solid import solid_of
from tracer.piece.values import Hole, Level, Piece

PIECES = {
    "disc": Piece(DISC, 5),
    "drafted": Piece(DISC, 5, draft_deg=3),
    "rounded": Piece(DISC, 5, edge_radius_mm=3),
    "raised": Piece(DISC, 5, (Level("raised", ring(15, 13), 1),), Hole((0, 20), 4), 2, 2, 0.3),
    "sunk": Piece(DISC, 5, (Level("sunk", ring(15, 13), -1.5),), Hole((0, 20), 4), 2, 2, 0.3),
    "raised over the rim": Piece(DISC, 5, (Level("raised", spot(9, 20 + 0j), 1),), None, 2, 2, 0.3),
    "sunk over the rim": Piece(DISC, 5, (Level("sunk", spot(9, 20 + 0j), -2),), None, 3, 2, 0.3),
    "upright, over the rim": Piece(DISC, 5, (Level("raised", spot(9, 20 + 0j), 1),)),
    "both": Piece(
        DISC, 5, (Level("raised", spot(6), 1), Level("sunk", spot(5, 9 + 0j), -1)), None, 1, 2, 0.2
    ),
    "plate": Piece(drawn_blank(Rectangle(40, 30, 0)), 3, (), None, 1, 0),
    "oval": Piece(drawn_blank(Oval(50, 36)), 3, (), None, 1, 2),
    "two touching squares": Piece(
        DISC, 4, (Level("raised", drawing_of(shapely.union(shapely.box(0, 0, 5, 5),
                                                           shapely.box(5, 5, 9, 9))), 1),)
    ),
}  # fmt: skip


def judged(mesh: Mesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)


@pytest.mark.parametrize("name", PIECES)
def test_mesh_is_closed_and_has_the_volume_of_the_solid(name: str) -> None:
    solid = solid_of(PIECES[name])
    mesh = mesh_of(solid)
    judge = judged(mesh)
    assert judge.is_watertight
    assert judge.is_winding_consistent
    assert judge.is_volume
    assert judge.volume == pytest.approx(integrate(solid).volume_mm3, rel=0.005)
    assert mesh.volume_mm3 == pytest.approx(judge.volume, rel=1e-9)
    assert mesh.centroid_mm == pytest.approx(judge.center_mass, abs=1e-9)
    assert mesh.area_mm2() == pytest.approx(judge.area, rel=1e-9)


@pytest.mark.parametrize("name", PIECES)
def test_nothing_overhangs_from_the_back(name: str) -> None:
    judge = judged(mesh_of(solid_of(PIECES[name])))
    above = judge.triangles_center[:, 2] > 1e-9
    assert judge.face_normals[above, 2].min() > -1e-9


def test_every_wall_has_its_draft() -> None:
    judge = judged(mesh_of(solid_of(PIECES["raised"])))
    above = judge.triangles_center[:, 2] > 1e-9
    lean = np.degrees(np.arcsin(judge.face_normals[above, 2]))
    areas = judge.area_faces[above]
    # by area: needles a few micrometres wide lean as the grid of the vertices has it
    assert areas[lean < 1.9].sum() < 0.002 * areas.sum()
    assert lean.min() > 0
    upright = judged(mesh_of(solid_of(replace(PIECES["raised"], draft_deg=0))))
    flat = upright.face_normals[upright.triangles_center[:, 2] > 1e-9, 2]
    assert (np.degrees(np.arcsin(flat)) < 1.9).any()  # the ruler sees a wall without draft


def test_an_open_mesh_is_noticed() -> None:
    mesh = mesh_of(solid_of(PIECES["disc"]))
    assert mesh.open_edges() == 0
    assert Mesh(mesh.vertices, mesh.triangles[1:]).open_edges() == 3
    turned = mesh.triangles.copy()
    turned[0] = turned[0][::-1]
    assert Mesh(mesh.vertices, turned).open_edges() > 0


# Closed forms: cylinder, frustum, ring, quarter-round by slices, prismatoid of a drafted box.
# Sections keep their area to 1e-6; one drawn in by d loses 2 d/(r - d) t^2/24 more, with the square
# of the flattening step t^2 = 8 x 0.005/25: 3e-5 of the topmost section, a fifth of it on average.
LEAN = math.tan(math.radians(3))
CLOSED = [
    (Piece(DISC, 5), math.pi * 625 * 5),
    (Piece(DISC, 5, draft_deg=3), frustum_mm3(25, 25 - 5 * LEAN, 5)),
    (Piece(DISC, 5, hole=Hole((0, 20), 4)), math.pi * (625 - 4) * 5),
    (Piece(ring(25, 20), 2), 706.858347 * 2),
    (Piece(DISC, 5, edge_radius_mm=3), rounded_disc_mm3(25, 5, 3)),
    (Piece(DISC, 5, edge_radius_mm=5), rounded_disc_mm3(25, 5, 5)),
    (Piece(box(-15, -10, 15, 10), 2, (Level("raised", box(-12, -10, 12, 0), 1),)), 1440.0),
    (
        Piece(box(-15, -10, 15, 10), 2, draft_deg=3),
        2 / 6 * (600 + 4 * (30 - 2 * LEAN) * (20 - 2 * LEAN) + (30 - 4 * LEAN) * (20 - 4 * LEAN)),
    ),
    (Piece(drawn_blank(Oval(50, 36)), 3), math.pi * 25 * 18 * 3),
    (Piece(drawn_blank(Rectangle(40, 30, 3)), 3), (1200 - (4 - math.pi) * 9) * 3),
]


@pytest.mark.parametrize(("piece", "volume"), CLOSED)
def test_volume_has_its_closed_form(piece: Piece, volume: float) -> None:
    assert integrate(solid_of(piece)).volume_mm3 == pytest.approx(volume, rel=8e-6)


def test_volume_of_a_fillet() -> None:
    # Pappus: a square foot fillet has the area (1 - pi/4) r^2, its centroid
    # (10 - 3 pi)/(12 - 3 pi) r from each side, turned about the axis of the boss of radius 5
    r = 0.5
    area = (1 - math.pi / 4) * r**2
    away = 5 + (10 - 3 * math.pi) / (12 - 3 * math.pi) * r
    want = math.pi * 625 * 3 + math.pi * 25 * 1 + 2 * math.pi * away * area
    piece = Piece(DISC, 3, (Level("raised", spot(5), 1),), fillet_mm=r)
    assert integrate(solid_of(piece)).volume_mm3 == pytest.approx(want, rel=5e-6)


# Handbook centroids (engineeringstatics.org, appendix C): semicircle 4r/3pi, sector
# 2 r sin a/(3 a), triangle h/3; composite shapes worked by hand.
def test_centroids_of_areas() -> None:
    half = sector(20, math.pi)
    assert centroid(half).imag == pytest.approx(8.4883, abs=5e-5)
    part = sector(30, math.pi / 3).mapped(complex(math.cos(math.pi / 6), -math.sin(math.pi / 6)))
    assert centroid(part).real == pytest.approx(19.0986, abs=5e-5)
    side = 40
    triangle = drawing_of(shapely.Polygon([(0, 0), (side, 0), (20, side * math.sqrt(3) / 2)]))
    assert centroid(triangle).imag == pytest.approx(11.5470, abs=5e-5)
    angle = drawing_of(shapely.box(0, 0, 40, 40).difference(shapely.box(10, 10, 40, 40)))
    assert centroid(angle) == pytest.approx(13.5714 + 13.5714j, abs=1e-4)


def test_solid_centroids() -> None:
    # disc with a hole at 20: the centroid moves 0.12882 away from it (moments of area)
    x, y, z = integrate(solid_of(Piece(DISC, 5, hole=Hole((0, 20), 4)))).centroid_mm
    assert (x, y, z) == pytest.approx((0, -0.12882, 2.5), abs=1e-4)
    # crescent: disc 20 less disc 15 touching inside
    crescent = region_of(DISC.mapped(20 / 25), 0.001).difference(
        region_of(DISC.mapped(15 / 25, 5), 0.001)
    )
    x, _, _ = integrate(solid_of(Piece(drawing_of(crescent), 1))).centroid_mm
    assert x == pytest.approx(-6.4286, abs=2e-3)
    # frustum: height of the centroid h (r0^2 + 2 r0 r1 + 3 r1^2) / (4 (r0^2 + r0 r1 + r1^2))
    r0, r1 = 25, 25 - 5 * LEAN
    want = 5 * (r0**2 + 2 * r0 * r1 + 3 * r1**2) / (4 * (r0**2 + r0 * r1 + r1**2))
    assert integrate(solid_of(Piece(DISC, 5, draft_deg=3))).centroid_mm[2] == pytest.approx(want)


def test_tilt() -> None:
    assert tilt_deg((5, 15), (0, 8.4883)) == pytest.approx(37.519, abs=5e-4)
    assert tilt_deg((-5, 15), (0, 8.4883)) == pytest.approx(37.519, abs=5e-4)
    assert tilt_deg((0, 15), (0, 0)) == 0
    assert tilt_deg((0, -5), (0, 0)) == 180


@pytest.mark.parametrize(
    ("radius", "sagitta"), list(itertools.product([2, 5, 25], [0.02, 0.005, 0.001]))
)
def test_flattened_circles_keep_their_area(radius: float, sagitta: float) -> None:
    # n-gon: sin t/t (1 + 2/3 (1 - cos(t/2)) cos(t/2))^2 = 1 - t^4 (1/63 + 1/48) + ...; the step t
    # is at most sqrt(8 sagitta/radius)
    region = region_of(spot(radius), sagitta)
    step = math.sqrt(8 * sagitta / radius)
    assert region.area == pytest.approx(math.pi * radius**2, rel=step**4 / 26)
    away = np.hypot(*shapely.get_coordinates(region).T) - radius
    assert away.max() <= sagitta
    assert away.min() >= 0


def test_facets_lie_within_a_fiftieth_of_a_millimetre() -> None:
    mesh = mesh_of(solid_of(PIECES["rounded"]))
    middle = mesh.vertices[mesh.triangles].mean(axis=1)
    rim = np.hypot(middle[:, 0], middle[:, 1])
    on_round = (middle[:, 2] > 2.001) & (rim > 22.01)
    from_axis = np.hypot(rim[on_round] - 22, middle[on_round, 2] - 2)
    assert on_round.sum() > 1000
    assert np.abs(from_axis - 3).max() < 0.02


def test_walls_in_plan_lie_within_a_fiftieth_too() -> None:
    # a ring of radii 15 and 13, drafted by 2 degrees: cones; above its fillet of 0.3, below its top
    triangles = (mesh := mesh_of(solid_of(PIECES["raised"]))).vertices[mesh.triangles]
    middle = triangles.mean(axis=1)
    radius, z = np.hypot(middle[:, 0], middle[:, 1]), middle[:, 2]
    lean = math.tan(math.radians(2))
    for top, side in ((15, 1), (13, -1)):
        cone = top + side * (6 - z) * lean
        on_wall = (z > 5.31) & (z < 5.99) & ((radius > 14) == (side > 0)) & (radius < 17)
        assert on_wall.sum() > 100
        off = np.abs(radius - cone)[on_wall] * math.cos(math.radians(2))
        assert off.max() < 0.02
        assert off.max() > 1e-6  # the ruler sees facets


def test_layers_are_nested() -> None:
    layers = nested_layers(solid_of(PIECES["both"]))
    for (low, below), (high, above) in itertools.pairwise(layers):
        assert low <= high
        assert below.contains(above)


def test_section_follows_the_piece() -> None:
    layers = nested_layers(solid_of(PIECES["sunk"]))
    above_hole, below_hole = cut_along(layers, 0.0)[::-1]
    assert above_hole[:, 0].max() == pytest.approx(25, abs=0.01)
    assert below_hole[:, 1].max() == pytest.approx(5)
    trough = (np.abs(below_hole[:, 0]) > 13.2) & (np.abs(below_hole[:, 0]) < 14.8)
    assert below_hole[trough, 1].min() == pytest.approx(3.5)


def test_blanks() -> None:
    assert drawn_blank(Rectangle(40, 30, 3)).bounds == pytest.approx((-20, -15, 20, 15))
    grown = grown_blank(Rectangle(40, 30, 3), 0.5)
    assert grown is not None
    assert grown.area == pytest.approx(41 * 31 - (4 - math.pi) * 3.5**2)
    assert grown_blank(Disc(50), 1) == drawn_blank(Disc(52))
    # Steiner: a square of 40 grown by 1 has 1600 + 160 + pi; flattened to 0.004 mm
    square = shapely.MultiPolygon([shapely.box(0, 0, 40, 40)])
    assert grown_silhouette(square, 1).area == pytest.approx(1763.1416, abs=0.03)


def test_apart_silhouettes_are_told_the_margin_that_joins_them() -> None:
    apart = shapely.MultiPolygon([shapely.box(0, 0, 10, 10), shapely.box(13, 0, 20, 10)])
    with pytest.raises(Exception, match=r"2 pieces .*outline:\+1.5") as caught:
        grown_silhouette(apart, 1)
    assert type(caught.value).__name__ == "UsageError"
    assert len(grown_silhouette(apart, 1.51).geoms) == 1


def test_files_are_read_back_by_an_independent_library() -> None:
    mesh = mesh_of(solid_of(PIECES["raised"])).scaled(1.005)
    stl = write_stl(mesh, mark="made by tracer")
    assert len(stl) == 84 + 50 * len(mesh.triangles)
    back = trimesh.load(io.BytesIO(stl), file_type="stl")
    assert back.is_watertight
    assert back.volume == pytest.approx(mesh.volume_mm3, rel=1e-5)  # 32-bit coordinates
    packed = write_3mf(mesh, title="a <b> & c", mark="made by tracer")
    scene = trimesh.load(io.BytesIO(packed), file_type="3mf")
    [solid] = scene.geometry.values()
    assert scene.units == "millimeter"
    assert solid.is_watertight
    assert solid.volume == pytest.approx(mesh.volume_mm3, rel=1e-6)
    assert np.ptp(solid.bounds[:, 0]) == pytest.approx(50 * 1.005, abs=0.01)


def test_files_are_the_same_bytes_twice_and_carry_no_date() -> None:
    mesh = mesh_of(solid_of(PIECES["sunk"]))
    again = mesh_of(solid_of(PIECES["sunk"]))
    assert write_stl(mesh, mark="m") == write_stl(again, mark="m")
    packed = write_3mf(mesh, title="t", mark="made by tracer")
    assert packed == write_3mf(again, title="t", mark="made by tracer")
    assert b"made by tracer" in packed[:4096]
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert {entry.date_time[0] for entry in archive.infolist()} == {1980}


@example([(0.0, 9.9e-185, 1.0), (0.0, 0.0, 1.0)], 1.0, 0.0, 0.0, 0.0)  # rounded away with a warning
@given(
    st.lists(
        st.tuples(st.floats(-20, 20), st.floats(-20, 20), st.floats(0.3, 6)), min_size=1, max_size=7
    ),
    st.sampled_from([1.0, 0.4, -1.0, -2.5]),
    st.sampled_from([0.0, 1.0, 2.0, 8.0]),
    st.sampled_from([0.0, 0.7, 2.0]),
    st.sampled_from([0.0, 0.3]),
)
def test_any_scatter_of_spots_gives_a_closed_mesh(
    spots: list[tuple[float, float, float]], height: float, draft: float, edge: float, foot: float
) -> None:
    shapes = [shapely.Point(x, y).buffer(r, 8) for x, y, r in spots]
    level = Level("design", drawing_of(shapely.union_all(shapes)), height)
    foot = min(foot, abs(height) / 2)
    solid = solid_of(Piece(DISC, 4, (level,), None, edge, draft, foot))
    judge = judged(mesh_of(solid))
    assert judge.is_watertight
    assert judge.is_volume
    assert judge.volume == pytest.approx(integrate(solid).volume_mm3, rel=0.005)


def test_flat_ears_on_the_back_part_from_the_lowest_wall() -> None:
    # a thin silhouette: back and wall triangulate the same corners (once left 26 open edges)
    turns = np.arange(0, 40) * 0.7
    points = np.column_stack([np.cos(turns) * (1 + turns / 3), np.sin(turns) * (1 + turns / 3)])
    worm = shapely.LineString(points).buffer(0.45)
    for draft in (0.5, 2, 5):
        judge = judged(mesh_of(solid_of(Piece(drawing_of(worm), 3, draft_deg=draft))))
        assert judge.is_volume
