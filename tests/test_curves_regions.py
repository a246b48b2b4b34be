"""Changes carried over from one region to another that all but equals it."""

import pytest
import shapely

from tracer.curves.regions import Region, as_region, carried_over

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
