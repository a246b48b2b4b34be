"""How a thickened line ends and how it runs on, against shapes of closed form.

Every expected outline is built from the drawn one by set sums of plain figures, with shapely, which
know nothing of centre lines.
"""

import math
from typing import Any

import numpy as np
import pytest
import shapely
from shapely import affinity

from tests.rules.shapes import limits, region, wanted
from tracer.model import Kind, Region
from tracer.rules.mend import mend_region
from tracer.settings import Role

MARGIN = 0.01
LIMIT = 0.8
HALF = (LIMIT + MARGIN) / 2
WORKED = MARGIN / 8
OFF = 3 * WORKED
"""Sides are simplified, joined and blended to the exactness of repairs, each at most once."""

WIDTH = 0.36


def thickened(shape: Any) -> Region:
    mended = mend_region(shape, limits(), wanted(Role.RAISED), margin_mm=MARGIN)
    assert {f.status for f in mended.findings} == {"fixed"}
    return mended.region


def astray(got: Any, expected: Any) -> float:
    """How far the boundary of one lies from that of the other, at most."""
    dense = [shapely.segmentize(g.boundary, 0.01) for g in (got, expected)]
    return float(shapely.hausdorff_distance(*dense))


def line(ends: Any = "flat", *, width: float = WIDTH, length: float = 10.0) -> Any:
    return shapely.LineString([(0, 0), (length, 0)]).buffer(width / 2, cap_style=ends)


def slanted(degrees: float, *, width: float = WIDTH) -> Any:
    """A line from 0 to 10 whose far end is cut at so many degrees to its side."""
    back = width / math.tan(math.radians(degrees))
    return shapely.Polygon([(0, 0), (10 - back, 0), (10, width), (0, width)])


def test_the_ruler_sees_a_planted_flag() -> None:
    """A square of 0.1 mm on the end of a line sticks out by 0.1 mm."""
    flagged = shapely.union(line(), shapely.box(10, 0, 10.1, 0.1))
    assert astray(flagged, line()) == pytest.approx(0.1, abs=1e-3)


@pytest.mark.parametrize("degrees", [0, 30, 45, 77])
@pytest.mark.parametrize("width", [0.2, 0.36, 0.5, 0.62, 0.75])
def test_a_square_end_stays_square(width: float, degrees: float) -> None:
    """At any width, also where the corners of the end are further from its middle than half a limit
    (from 0.57 mm on), which once took them for points."""
    drawn = affinity.rotate(line(width=width), degrees, origin=(0, 0))
    expected = affinity.rotate(line(width=2 * HALF), degrees, origin=(0, 0))
    assert astray(thickened(region(drawn)), expected) < OFF * math.sqrt(2)


def test_a_curved_line_ends_square() -> None:
    angles = np.linspace(0, math.pi, 180)
    half = shapely.LineString(8 * np.column_stack([np.cos(angles), np.sin(angles)]))
    got = thickened(region(half.buffer(WIDTH / 2, cap_style="flat", quad_segs=24)))
    wide = half.buffer(HALF, cap_style="flat", quad_segs=24)
    # the way at an end is taken from as much of the line as it is wide: half of what that turns by
    turn = WIDTH / 8 / 2
    assert astray(got, wide) < HALF * turn + OFF


def test_a_round_end_keeps_its_length_and_round_corners() -> None:
    drawn = line("round")
    aside = HALF - WIDTH / 2
    expected = shapely.union_all(
        [affinity.translate(drawn, 0, y) for y in (-aside, aside)]
        + [shapely.box(-WIDTH / 2, -aside, 10 + WIDTH / 2, aside)]
    )
    assert astray(thickened(region(drawn)), expected) < OFF


@pytest.mark.parametrize("degrees", [30, 45, 55])
def test_a_sharp_slant_becomes_square_without_a_flag(degrees: float) -> None:
    """Its corner would be lost, and a disc about what is left of it would stand out as a flag."""
    got = thickened(region(slanted(degrees)))
    assert astray(got, shapely.box(0, WIDTH / 2 - HALF, 10, WIDTH / 2 + HALF)) < OFF


def test_a_blunt_slant_stays_slanted() -> None:
    """A corner of 70 degrees holds: the end is swept to the sides, no longer than drawn."""
    aside = HALF - WIDTH / 2
    drawn = slanted(70)
    back = WIDTH / math.tan(math.radians(70))
    expected = shapely.Polygon(
        [
            (0, -aside),
            (10 - back, -aside),
            (10, WIDTH - aside),
            (10, WIDTH + aside),
            (0, WIDTH + aside),
        ]
    )
    assert astray(thickened(region(drawn)), expected) < OFF


def test_a_pointed_line_keeps_its_point_round() -> None:
    """Like a pencil: no square end, and no longer than drawn."""
    pencil = shapely.Polygon([(0, 0), (9.5, 0), (10, WIDTH / 2), (9.5, WIDTH), (0, WIDTH)])
    middle = shapely.LineString([(0, WIDTH / 2), (10 - HALF, WIDTH / 2)])
    strip = middle.buffer(HALF, quad_segs=24).intersection(shapely.box(0, -9, 99, 9))
    square = shapely.box(0, WIDTH / 2 - HALF, 1, WIDTH / 2 + HALF)
    got = thickened(region(pencil))
    assert astray(got, shapely.union_all([strip, square, pencil])) < OFF
    assert got.bounds[2] == pytest.approx(10, abs=OFF)


@pytest.mark.parametrize("tip", [0.02, 0.05, 0.1])
def test_a_needle_ends_round_and_no_longer_than_drawn(tip: float) -> None:
    """A spike of .4 mm that narrows to `tip` to each side: its end is that of a disc."""
    spike = shapely.Polygon([(0, -0.2), (10, -tip), (10, tip), (0, 0.2)])
    got = thickened(region(spike, shapely.box(-3, -3, 0, 3)))
    assert got.bounds[2] == pytest.approx(10, abs=OFF)
    disc = shapely.Point(10 - HALF, 0).buffer(HALF, quad_segs=24)
    end = shapely.box(10 - HALF, -9, 99, 9)
    blend = LIMIT / 4  # the hollow beside a corner that stands out of the disc is filled
    expected = shapely.union(disc, spike).intersection(end).buffer(blend).buffer(-blend)
    assert astray(got.intersection(end), expected) < OFF


def test_a_line_that_hardly_narrows_keeps_its_length() -> None:
    """Over the last mm it narrows by 3 %, which was taken for a turn into a corner."""
    spike = shapely.Polygon([(0, -0.2), (10, -0.15), (10, 0.15), (0, 0.2)])
    got = thickened(region(spike, shapely.box(-3, -3, 0, 3)))
    assert got.bounds[2] == pytest.approx(10, abs=OFF)


def test_a_bar_runs_straight_on_over_a_stem() -> None:
    """A T of a thin bar and a sound stem: the far side of the bar has no hollow over the stem."""
    tee = region(shapely.box(-6, 0, 6, 0.5), shapely.box(-0.5, -6, 0.5, 0.1))
    mended = mend_region(tee, limits(), wanted(Role.RAISED), margin_mm=MARGIN)
    assert [f.kind for f in mended.findings] == [Kind.SPUR, Kind.SPUR]
    above = mended.region.intersection(shapely.box(-5, 0.25, 5, 2))
    assert above.area / 10 + 0.25 == pytest.approx(0.25 + HALF, abs=OFF)
    assert above.bounds[3] == pytest.approx(0.25 + HALF, abs=OFF)
