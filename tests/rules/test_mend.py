"""What repairs do, judged by rulers that share nothing with them."""

import math
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from tests.drawings import TrueDrawing, mixed
from tests.rules.shapes import (
    comb,
    discs,
    dumbbell,
    limits,
    region,
    ring,
    star,
    thinnest,
    wanted,
    wedge,
)
from tracer.contour.extract import extract_rings
from tracer.contour.nest import nest_rings
from tracer.model import Coverage, Frame, Kind, Mended
from tracer.rules.mend import mend_region
from tracer.settings import Role

MARGIN = 0.01


def mend(
    shape: Any, *, role: Role = Role.RAISED, sizes: Any = None, kept: Any = None, **repairs: Any
) -> Mended:
    return mend_region(
        shape,
        sizes or limits(),
        wanted(role, **repairs),
        margin_mm=MARGIN,
        kept=kept or shapely.MultiPolygon(),
    )


def settles(mended: Mended, **options: Any) -> Any:
    """Mending again finds what was open, and changes nothing."""
    again = mend(mended.region, **options)
    assert again.region.symmetric_difference(mended.region).area < 1e-3
    assert {f.status for f in again.findings} <= {"open", "kept"}
    return again


def test_the_ruler_sees_a_planted_narrowing() -> None:
    """A strip 1 mm wide with a notch 0.3 mm deep and 2 mm long is 0.7 mm wide."""
    strip = shapely.box(0, 0, 20, 1)
    assert thinnest(strip) == pytest.approx(1, abs=1e-3)
    assert thinnest(strip.difference(shapely.box(9, 0.7, 11, 2))) == pytest.approx(0.7, abs=1e-3)


@pytest.mark.parametrize(
    "shape",
    [
        region(shapely.box(0, 0, 12, 0.3)),
        dumbbell(0.3),
        ring(6, 5.6),
        ring(10, 8, 1.8),
        region(shapely.box(0, 0, 6, 6), shapely.box(6, 2, 10, 2.4)),
        comb(0.5, 1.8),
        region(shapely.box(0, 0, 10, 8).difference(shapely.box(0.4, 0.4, 9.6, 7.6))),
    ],
)
def test_thin_metal_is_thickened(shape: Any) -> None:
    mended = mend(shape)
    assert {f.status for f in mended.findings} == {"fixed"}
    assert thinnest(mended.region) >= 0.8 - 1e-3
    assert mended.region.covers(shape.buffer(-1e-6))
    assert len(mended.region.geoms) == len(shape.geoms)
    settles(mended)


def test_lines_keep_their_length() -> None:
    """A strip is cut off flush at its ends."""
    strip = region(shapely.box(0, 0, 12, 0.3))
    left, bottom, right, top = mend(strip).region.bounds
    assert (left, right) == pytest.approx((0, 12), abs=0.01)
    assert (bottom, top) == pytest.approx((0.15 - 0.405, 0.15 + 0.405), abs=0.01)


def test_thickened_sides_are_parallel() -> None:
    """Away from its ends a strip keeps its width to 0.005 mm."""
    middle = mend(dumbbell(0.4, 6.0)).region.intersection(shapely.box(6.2, -9, 9.8, 9))
    assert middle.area / 3.6 == pytest.approx(0.81, abs=0.005)


def uneven(shape: Any) -> Any:
    """The shape with its outline a few micrometres off, as pixels leave it: rounded to 0.004 mm."""
    places = shapely.get_coordinates(shapely.segmentize(shape, 0.05))
    return region(shapely.Polygon(np.round(places / 0.004) * 0.004))


def stroke(line: Any, width: float) -> Any:
    return line.buffer(width / 2, cap_style="flat", join_style="mitre")


ARROWHEAD = shapely.Polygon([(6, -0.35), (8, 0), (6, 0.35)])
CHEVRON = math.atan2(3, 8)
"""Half the angle of the chevron, 20.6 degrees: its mitred corner reaches 0.18 / sin of it."""
BEYOND = 8 + 0.18 / math.sin(CHEVRON)
WORKED = MARGIN / 8
OFF = (0.004 / math.sqrt(2) + WORKED) / math.sin(CHEVRON) + 2 * WORKED
"""A side is off by half the diagonal of the rounding and by what simplifying takes, a point by that
over the sine; patches are joined and blended to the exactness of repairs each."""


@pytest.mark.parametrize(
    ("line", "tip", "shape"),
    [
        ([(0, 0), (3, -3.3), (9, 4)], (3, -3.3), shapely.Polygon()),
        ([(0, 0), (3, 3.1), (6.1, 0), (9, 3)], (3, 3.1), shapely.Polygon()),
        ([(0, -3), (8, 0), (0, 3)], (BEYOND - 0.405, 0), shapely.Polygon()),
        ([(0, 0), (6, 0)], (8 - 0.405, 0), ARROWHEAD),
    ],
    ids=["check mark", "zigzag", "chevron", "arrow"],
)
def test_thin_drawings_are_thickened_without_flags(line: Any, tip: Any, shape: Any) -> None:
    """What is added lies within half a limit of the line, or in a hollow narrower than a gap.

    Uneven sides leave branches of the centre line as short as they are themselves: none is a
    stroke to be thickened. A line that runs out to a point ends round, at the point.
    """
    strokes = shapely.LineString(line)
    drawn = uneven(shapely.union_all([stroke(strokes, 0.36), shape]))
    mended = mend(drawn)
    r = (0.8 + MARGIN) / 2
    middle = shapely.union_all([strokes, shapely.LineString([line[len(line) // 2], tip])])
    wide = middle.buffer(r).union(drawn)
    allowed = wide.buffer(r).buffer(-r).buffer(OFF)
    assert mended.region.difference(allowed).area == 0
    assert mended.region.covers(drawn.buffer(-1e-6))
    assert len(mended.region.geoms) == 1


@pytest.mark.parametrize("apart", [0.1, 0.4, 0.7])
def test_a_gap_between_thick_metal_is_widened(apart: float) -> None:
    mended = mend(discs(apart))
    one, two = mended.region.geoms
    assert one.distance(two) >= 0.8 - 1e-3
    settles(mended)


def test_a_gap_can_be_filled_instead() -> None:
    assert len(mend(discs(0.4), gaps="fill").region.geoms) == 1


def test_lines_and_gaps_too_close_stay_open_with_the_size() -> None:
    """0.5 + 0.5 < 0.8 + 0.8: no local repair exists, from 1.6 times the size none is needed."""
    mended = mend(comb(0.5, 0.5))
    assert {f.status for f in mended.findings} == {"open"}
    assert mended.region.equals(comb(0.5, 0.5))
    assert mended.smallest_safe_factor == pytest.approx(1.6, rel=0.02)
    said = [float(f.action.split(" at ")[-1].split()[0]) for f in mended.findings]
    assert said == pytest.approx([1.6] * len(said), rel=0.02)  # the accuracy of a width


@pytest.mark.parametrize(("line", "gap"), [(0.3, 0.6), (0.7, 0.4), (0.5, 0.5)])
def test_a_conflict_names_the_size_from_which_there_is_room_for_both(
    line: float, gap: float
) -> None:
    """At (L + G) / (l + g) times the size a line and a gap fit beside each other (12.3)."""
    factor = (0.8 + 0.8) / (line + gap)
    found = mend(comb(line, gap)).findings
    opened = [f for f in found if f.status == "open"]
    assert opened
    said = [float(f.action.split(" at ")[-1].split()[0]) for f in opened]
    assert sum(s == pytest.approx(factor, rel=0.03) for s in said) >= len(said) - 4  # at the ends
    larger = shapely.affinity.scale(comb(line, gap), 1.03 * factor, 1.03 * factor, origin=(0, 0))
    assert {f.status for f in mend(larger).findings} <= {"fixed"}


def test_islands_and_openings() -> None:
    dot = region(shapely.box(0, 0, 10, 10), shapely.Point(13, 5).buffer(0.5))
    assert mend(dot).region.equals(region(shapely.box(0, 0, 10, 10)))
    large = mend(dot, islands="enlarge").region.geoms
    assert len(large) == 2
    assert min(p.area for p in large) >= math.pi * 0.8**2 * 0.99
    hole = region(shapely.box(0, 0, 10, 10).difference(shapely.Point(5, 5).buffer(0.3)))
    assert not mend(hole).region.geoms[0].interiors
    wide = mend(hole, openings="enlarge").region.geoms[0].interiors
    assert shapely.Polygon(wide[0]).area >= math.pi * 0.4**2 * 0.99


def test_bridge_ties_a_loose_piece() -> None:
    two = region(shapely.box(0, 0, 5, 5), shapely.box(8, 0, 12, 4))
    mended = mend(two, role=Role.SILHOUETTE, islands="bridge")
    assert len(mended.region.geoms) == 1
    assert thinnest(mended.region) >= 0.8 - 1e-3
    assert {f.status for f in mended.findings} == {"fixed"}


def test_many_specks_are_one_finding() -> None:
    specks = [shapely.Point(k % 40 * 0.5, 20 + k // 40 * 0.5).buffer(0.1, 2) for k in range(400)]
    mended = mend(region(shapely.box(0, 0, 20, 10), *specks))
    (finding,) = mended.findings
    assert finding.kind is Kind.SMALL_ISLAND
    assert "400 specks" in finding.action


@pytest.mark.parametrize("angle", [20, 40])
def test_tips_are_blunted(angle: float) -> None:
    """Opening by r shortens a wedge of angle b by r (1 / sin(b / 2) - 1)."""
    mended = mend(wedge(angle))
    r = 0.405
    assert mended.region.bounds[0] == pytest.approx(
        r * (1 / math.sin(math.radians(angle / 2)) - 1), abs=0.02
    )
    settles(mended)
    assert mend(wedge(angle), tips="leave").region.equals(wedge(angle))


def test_thick_parts_do_not_move() -> None:
    """Every vertex further than two limits from a finding is the same number."""
    mended = mend(dumbbell(0.3))
    before = {tuple(c) for c in shapely.get_coordinates(dumbbell(0.3)) if not 3 < c[0] < 10}
    after = {tuple(c) for c in shapely.get_coordinates(mended.region)}
    assert before <= after


def test_what_is_kept_stays() -> None:
    shape = dumbbell(0.3)
    mended = mend(shape, kept=region(shapely.Point(6.5, 2.5).buffer(3)))
    assert mended.region.equals(shape)
    assert [f.status for f in mended.findings] == ["kept"]


@pytest.mark.parametrize(("knob", "up"), [(0.438, 1.0), (0.45, 1.05)])
def test_a_knob_on_a_neck_is_a_spur_and_is_not_cut_off(knob: float, up: float) -> None:
    """Circles about (0, 0) and (0, up): the neck is the chord that they share.

    The knob passed for a rounding of the large circle, and its neck with it.
    """
    large = 0.75
    y = (up**2 + knob**2 - large**2) / (2 * up)
    shape = region(
        shapely.union(shapely.Point(0, 0).buffer(knob, 32), shapely.Point(0, up).buffer(large, 32))
    )
    mended = mend(shape, sizes=limits(metal=1.0, island=0))
    (finding,) = mended.findings
    assert (finding.kind, finding.status) == (Kind.SPUR, "fixed")
    assert finding.width_mm == pytest.approx(2 * math.sqrt(knob**2 - y**2), abs=0.01)
    assert mended.region.covers(shape.buffer(-0.01))
    settles(mended, sizes=limits(metal=1.0, island=0))


def test_a_gap_between_long_straight_sides_is_not_narrower_than_they_are_apart() -> None:
    """GEOS left the samples of one side but its ends without triangles: 0.78 mm where it was 0.825,
    and a second mending filled what the first had left.
    """
    settles(mend(comb(0.169, 1.466, 5), role=Role.SILHOUETTE), role=Role.SILHOUETTE)


@given(
    line=st.floats(0.1, 1.2), gap=st.floats(0.05, 1.6), teeth=st.integers(2, 5),
    role=st.sampled_from(list(Role)),
)  # fmt: skip
def test_combs_settle(line: float, gap: float, teeth: int, role: Role) -> None:
    """Whatever is not mended is owned up to, and the second run changes nothing."""
    mended = mend(comb(line, gap, teeth), role=role)
    assert mended.region.is_valid
    settles(mended, role=role)


@pytest.mark.slow
@pytest.mark.parametrize("drawing", list(mixed(12, seed=5)), ids=lambda d: d.name)
@pytest.mark.parametrize("role", list(Role))
def test_drawn_icons(drawing: TrueDrawing, role: Role) -> None:
    shape = icon(drawing, 512, 25)
    mended = mend(shape, role=role)
    assert mended.region.is_valid
    settles(mended, role=role)
    owned = shapely.union_all([f.changed for f in mended.findings])
    stray = mended.region.symmetric_difference(shape).difference(owned.buffer(1e-6))
    assert stray.area < 1e-3 * shape.area


def icon(drawing: TrueDrawing, pixels: int, width: float) -> Any:
    alpha = drawing.alpha(pixels) / 255.0
    rings = extract_rings(Coverage(alpha.astype("float32")))
    spread = max(r[:, 0].max() for r in rings) - min(r[:, 0].min() for r in rings)
    return nest_rings(rings, Frame(width / spread, pixels))


def test_a_star_comes_out_of_the_mould() -> None:
    assert settles(mend(star(5, 36)))
