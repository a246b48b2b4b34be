"""Where the hole goes, how artwork is laid out, and what the pour needs."""

import math

import numpy as np
import pytest
import shapely

from tests.piece.forms import DISC, drawing_of, spot
from tracer.curves.regions import as_region
from tracer.piece.flat import region_of
from tracer.piece.hole import clash_mm, place_hole, wall_of
from tracer.piece.layout import kept_in, largest_width, overhang_mm2, parts_at_rim, placed
from tracer.piece.pour import plan_pour

NOTHING = shapely.MultiPolygon()


def test_hole_goes_to_the_top_with_its_wall() -> None:
    disc = region_of(DISC)
    found = place_hole(disc, 0.0, 0.0, 4.0, 2.0)
    assert found.ear is None
    assert found.at == pytest.approx((0, 21), abs=0.011)  # 25 - 2 - 4/2
    assert wall_of(disc, found.at, 4.0) == pytest.approx(2.0, abs=0.011)
    assert wall_of(disc, found.at, 4.0) >= 2.0 - 1e-9
    assert wall_of(disc, (0, 24), 4.0) == pytest.approx(-1, abs=0.005)  # flattened to that
    assert wall_of(disc, (0, 30), 4.0) < 0


def test_hole_off_the_middle_still_keeps_its_wall() -> None:
    disc = region_of(DISC)
    found = place_hole(disc, 8.0, 0.0, 4.0, 2.0)
    assert found.at[1] == pytest.approx(math.sqrt(21**2 - 64), abs=0.02)
    assert wall_of(disc, found.at, 4.0) >= 2.0 - 1e-3


def test_an_ear_is_added_where_there_is_no_room() -> None:
    thin = shapely.MultiPolygon([shapely.box(-20, -1.5, 20, 1.5)])
    found = place_hole(thin, 3.0, 0.0, 4.0, 2.0)
    assert found.ear is not None
    assert len(found.ear.geoms) == 1
    assert found.at[0] == 3.0
    assert wall_of(found.ear, found.at, 4.0) == pytest.approx(2.0, abs=0.02)
    assert found.ear.contains(thin.buffer(-1e-6))
    # nothing far from the ear is touched
    assert found.ear.difference(thin).bounds[0] > 3 - 3 * 4


def test_clash_is_measured() -> None:
    design = region_of(spot(10))
    assert clash_mm(design, (0, 13), 4) == 0
    assert clash_mm(design, (0, 11), 4) == pytest.approx(1, abs=0.01)
    assert clash_mm(design, (0, 8), 4) == pytest.approx(4, abs=0.01)
    assert clash_mm(NOTHING, (0, 0), 4) == 0


def test_artwork_is_fitted_and_turned() -> None:
    square = np.array([(0, 0), (7, 0), (7, 7), (0, 7)], dtype=float)
    disc = region_of(DISC, 0.0005)
    assert largest_width(square, (0, 0), 0, disc) == pytest.approx(50 / math.sqrt(2), abs=0.01)
    box = shapely.MultiPolygon([shapely.box(-10, -10, 10, 10)])
    assert largest_width(square, (0, 0), 45, box) == pytest.approx(20 / math.sqrt(2), abs=0.01)
    assert largest_width(square, (5, 0), 0, box) == pytest.approx(10, abs=0.01)
    assert largest_width(square, (50, 0), 0, box) == pytest.approx(0, abs=0.01)
    tall = drawing_of(shapely.box(0, 0, 2, 6))
    # counter-clockwise by 90 degrees: 6 wide and 2 high about the point given
    assert placed(tall, (1, 2), 90).bounds == pytest.approx((-2, 1, 4, 3))


def test_overhang_is_clipped_or_kept_in() -> None:
    disc = region_of(DISC)
    design = region_of(spot(5, 25 + 0j))
    inside = design.intersection(disc).area
    assert overhang_mm2(design, disc) == pytest.approx(design.area - inside)
    kept = kept_in(design, disc, 2)
    assert shapely.distance(kept, disc.boundary) == pytest.approx(2, abs=0.01)
    over, clear = parts_at_rim(
        shapely.MultiPolygon([*design.geoms, *region_of(spot(2)).geoms]), disc
    )
    assert (len(over.geoms), len(clear.geoms)) == (1, 1)


def pour(outline: shapely.MultiPolygon, hole: tuple[float, float] | None = None, **given):  # type: ignore[no-untyped-def] # a shorthand
    raised = given.get("raised", NOTHING)
    relief = given.get("relief", 0.0)
    return plan_pour(
        outline, 3.0, raised=raised, relief_mm=relief, hole=hole,
        finest_mm=1.0, head_mm=16.0, open_back=True,
    )  # fmt: skip


def test_gate_of_a_disc_lies_opposite_its_hole() -> None:
    found = pour(region_of(DISC), (0, 20))
    assert found.gate == pytest.approx((0, -25), abs=0.01)
    assert found.gate_width_mm == pytest.approx(50, abs=0.02)
    assert found.necks == ()


def test_a_neck_that_freezes_first_is_found() -> None:
    discs = [shapely.Point(x, 0).buffer(10, 64) for x in (-15, 15)]
    bell = shapely.union_all([*discs, shapely.box(-15, -0.5, 15, 0.5)])
    found = pour(as_region(bell), (-15, 5))
    [neck] = found.necks
    assert found.gate[0] > 5  # in the disc away from the hole
    assert neck.at == pytest.approx((0, 0), abs=0.1)
    assert neck.width_mm == pytest.approx(1.0, abs=0.02)
    assert neck.beyond_mm == pytest.approx(20, abs=0.1)
    # neck 1 against body 20 at 3 mm: 2.308 / 0.429, worked by hand
    assert neck.modulus_ratio == pytest.approx(5.38, abs=0.05)


def test_a_wide_neck_feeds() -> None:
    discs = [shapely.Point(x, 0).buffer(10, 64) for x in (-12, 12)]
    bell = shapely.union_all([*discs, shapely.box(-12, -8, 12, 8)])
    assert pour(as_region(bell)).necks == ()


def test_parts_cut_off_are_named() -> None:
    two = shapely.MultiPolygon([shapely.box(0, 0, 20, 20), shapely.box(30, 0, 35, 5)])
    [place] = pour(two).cut_off
    assert place == pytest.approx((32.5, 2.5))


def test_dead_ends_of_narrow_grooves() -> None:
    line = shapely.MultiPolygon([shapely.box(-8, -0.4, 8, 0.4)])
    found = pour(region_of(DISC), raised=line, relief=1.0)
    assert sorted(round(v.at[0]) for v in found.vents) == [-8, 8]
    assert found.vents[0].width_mm == pytest.approx(0.8, abs=0.01)
    # as wide as deep: air gets out; a closed ring has no end
    assert pour(region_of(DISC), raised=line, relief=0.5).vents == ()
    wide = shapely.MultiPolygon([shapely.box(-8, -3, 8, 3)])
    assert pour(region_of(DISC), raised=wide, relief=1.0).vents == ()


def test_an_ear_leaves_the_rest_as_drawn_and_joins_without_a_slit() -> None:
    """A notch nearby stays; the fillets run into disc and piece without a crack beside them."""
    notch = shapely.Polygon([(-9, 5), (-6, 5), (-7.5, 1)])
    piece = as_region(shapely.box(-15, -5, 15, 5).difference(notch))
    placed = place_hole(piece, 0.0, 10.0, 2.0, 2.0)
    assert placed.ear is not None
    disc = shapely.Point(placed.at).buffer(3, quad_segs=256)
    # a fillet's centre is 2 mm above the piece and 3 + 2 mm from the disc's, which is 1 mm above it
    foot = (5**2 - 1**2) ** 0.5
    ear = shapely.box(-foot, 5, foot, 20)
    added = placed.ear.difference(piece.buffer(1e-3))
    assert added.difference(ear.buffer(2e-3)).area < 1e-3
    assert placed.ear.intersection(notch).area < 1e-3
    # what lies below the three centres, less the fillets' discs
    trapezoid = shapely.Polygon([(-foot, 5), (-foot, 7), (0, 6), (foot, 7), (foot, 5)])
    fillets = [shapely.Point(x, 7).buffer(2, quad_segs=256) for x in (-foot, foot)]
    want = trapezoid.union(disc).difference(shapely.union_all(fillets)).difference(piece)
    assert added.symmetric_difference(want).area < 0.05
    # no crack: closing by 0.05 mm fills next to nothing
    closed = placed.ear.buffer(0.05).buffer(-0.05)
    assert closed.difference(placed.ear).area < 0.01
