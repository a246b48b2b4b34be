"""The largest rounding of the edge, built from geometry, with the rule that stops it."""

import math

import pytest
import shapely

from tests.piece.forms import DISC, drawing_of, ring, spot
from tracer.curves.path import Drawing
from tracer.piece.blank import Disc, Rectangle, drawn_blank
from tracer.piece.edges import EdgeRule, edge_rules, usable
from tracer.piece.mesh import mesh_of
from tracer.piece.solid import solid_of
from tracer.piece.values import Hole, Level, Piece


def first_rule(piece: Piece, *, hole_is_fixed: bool = False) -> EdgeRule:
    return edge_rules(piece, hole_is_fixed=hole_is_fixed)[0]


def dumb_bell(radius: float, apart: float, bar: float) -> Drawing:
    discs = [shapely.Point(x, 0).buffer(radius, 64) for x in (-apart, apart)]
    return drawing_of(shapely.union_all([*discs, shapely.box(-apart, -bar / 2, apart, bar / 2)]))


# A body of 5 mm on which 3 mm works and 3.5 mm does not, six ways; each by its own rule.
THREE = {
    "land beside a raised design": (Piece(DISC, 5, (Level("raised", ring(22, 18), 1),)), "land"),
    "land beside a sunk design": (Piece(DISC, 5, (Level("sunk", ring(22, 18), -1),)), "land"),
    "sunk design out over the rim": (
        Piece(DISC, 5, (Level("sunk", spot(8, 22 + 0j), -2),)),
        "sunk-floor",
    ),
    "convex corner": (Piece(drawn_blank(Rectangle(40, 30, 3)), 5), "convex-curve"),
    "neck": (Piece(dumb_bell(10, 15, 6), 5), "neck"),
    "hole": (Piece(DISC, 5, hole=Hole((0, 20), 4)), "hole"),
}


@pytest.mark.parametrize("name", THREE)
def test_three_works_and_three_and_a_half_does_not(name: str) -> None:
    piece, rule = THREE[name]
    found = first_rule(piece, hole_is_fixed=True)
    assert found.name == rule
    assert usable(found.limit_mm) == pytest.approx(3.0, abs=0.011)
    assert usable(found.limit_mm) < 3.5


def test_the_place_is_named() -> None:
    off_centre = Piece(DISC, 5, (Level("raised", spot(4, 18 + 0j), 1),))
    assert first_rule(off_centre).at == pytest.approx((22, 0), abs=0.1)
    assert first_rule(THREE["neck"][0]).at == pytest.approx((0, 0), abs=5.1)
    x, y = first_rule(THREE["convex corner"][0]).at
    assert (abs(x), abs(y)) == pytest.approx((19.1, 14.1), abs=0.9)  # on one of the four corners
    text = first_rule(THREE["sunk design out over the rim"][0]).text
    assert "3 mm above the back" in text


def test_body_is_the_last_limit() -> None:
    found = first_rule(Piece(DISC, 5))
    assert (found.name, found.limit_mm) == ("height", 5)


def test_draft_and_fillet_take_from_the_land() -> None:
    plain = first_rule(Piece(DISC, 5, (Level("raised", ring(22, 18), 1),))).limit_mm
    lean = math.tan(math.radians(2))
    leaning = Piece(DISC, 5, (Level("raised", ring(22, 18), 1),), draft_deg=2, fillet_mm=0.3)
    # the outline has drawn in by 5 lean at the face, the foot stands out by 1 lean and the fillet
    assert first_rule(leaning).limit_mm == pytest.approx(plain - 6 * lean - 0.3, abs=2e-3)


def test_a_sharp_corner_is_no_limit_but_a_small_round_one_is() -> None:
    assert first_rule(Piece(drawn_blank(Rectangle(40, 30, 0)), 5)).name == "height"
    found = first_rule(Piece(drawn_blank(Rectangle(40, 30, 1)), 5))
    assert (found.name, usable(found.limit_mm)) == ("convex-curve", 1.0)


def test_a_hole_that_we_place_does_not_limit() -> None:
    assert first_rule(Piece(DISC, 5, hole=Hole((0, 22), 4))).name == "height"
    assert usable(first_rule(THREE["hole"][0], hole_is_fixed=True).limit_mm) == 3.0


# hourglass: two discs of radius r that overlap, centres 2 a apart: neck sqrt(r^2 - a^2)
@pytest.mark.parametrize("a", [9.0, 9.5, 9.9])
def test_half_a_neck(a: float) -> None:
    discs = [shapely.Point(x, 0).buffer(10, 128) for x in (-a, a)]
    found = first_rule(Piece(drawing_of(shapely.union_all(discs)), 9))
    assert found.name == "neck"
    assert found.limit_mm == pytest.approx(math.sqrt(100 - a**2), abs=0.02)
    assert found.at == pytest.approx((0, 0), abs=0.3)


@pytest.mark.parametrize("radius", [0.5, 2.0, 4.9])
def test_convex_radius_of_discs(radius: float) -> None:
    found = first_rule(Piece(drawn_blank(Disc(2 * radius)), 5))
    assert usable(found.limit_mm) == pytest.approx(radius, abs=0.011)


@pytest.mark.parametrize("name", THREE)
def test_the_largest_rounding_can_be_meshed(name: str) -> None:
    piece, _ = THREE[name]
    solid = solid_of(piece)
    limit = usable(first_rule(piece, hole_is_fixed=True).limit_mm)
    rounded = Piece(solid.piece.outline, 5, piece.levels, piece.hole, limit)
    mesh = mesh_of(solid_of(rounded))
    assert mesh.open_edges() == 0
    assert mesh.volume_mm3 < mesh_of(solid).volume_mm3
