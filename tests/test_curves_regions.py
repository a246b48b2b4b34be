"""Changes carried over from one region to another that all but equals it."""

import pytest
import shapely

from tracer.curves.regions import Region, as_region, carried_over, changes_between

PLATE = shapely.box(0, 0, 10, 4)


def region(*shapes: shapely.Geometry) -> Region:
    return as_region(shapely.union_all(shapes))


def test_a_change_is_carried_over() -> None:
    drawn, before = region(PLATE), region(PLATE.buffer(0.001))
    after = region(before.difference(shapely.Point(5, 2).buffer(1)))
    made = carried_over(drawn, before, after, within=0.01)
    assert made.symmetric_difference(drawn).area == pytest.approx(
        shapely.Point(5, 2).buffer(1).area, rel=1e-3
    )


def test_no_hole_is_left_where_a_gap_that_ran_deeper_is_filled() -> None:
    """Its end, which lies beyond the change, once stayed behind as a pinhole."""
    drawn = region(PLATE.difference(shapely.box(4.9, 1.5, 5.1, 4)))
    before = region(PLATE.difference(shapely.box(4.9, 2.0, 5.1, 4)))
    made = carried_over(drawn, before, region(PLATE), within=0.01)
    assert len(made.geoms) == 1
    assert not made.geoms[0].interiors


def test_no_piece_is_left_of_one_that_reached_further() -> None:
    drawn = region(PLATE, shapely.box(12, 0, 13.5, 1))
    before = region(PLATE, shapely.box(12, 0, 13, 1))
    assert carried_over(drawn, before, region(PLATE), within=0.01).equals(region(PLATE))


def test_a_side_that_is_cut_at_its_end_is_not_a_change_on_its_whole_length() -> None:
    """A corner is cut off; where the cut meets the long side it is rounded to the nanometre."""
    after = region(shapely.Polygon([(0, 0), (10, 0), (10, 3), (9, 4 - 1e-9), (0, 4)]))
    assert shapely.symmetric_difference(region(PLATE), after).bounds[0] < 1  # the planted sliver
    corner = shapely.Polygon([(10, 3), (10, 4), (9, 4)])
    made = changes_between(region(PLATE), after)
    assert made.symmetric_difference(corner).area < 1e-5
    assert made.bounds == pytest.approx(corner.bounds, abs=2e-5)
    assert carried_over(region(PLATE.buffer(0.02)), region(PLATE), after, within=0.05).covers(
        shapely.box(0, 0, 8, 4.02)
    )
