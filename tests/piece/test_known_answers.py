"""Every known answer of the casting figures, part 11: computed here, held elsewhere, or not ours.

A tolerance is half of the last digit of the printed answer, and beside it what flattened curves
may add; the reason stands with it.
"""

import ast
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import shapely

from tests.piece.forms import DISC, box, centroid, drawing_of, ring, sector
from tests.rules import shapes
from tests.rules.test_find import check
from tracer.curves.path import Drawing
from tracer.curves.path import Shape as Form
from tracer.model import Kind, Region
from tracer.piece.amounts import RUBBER_SPARE, mass_g, rubber_mm3
from tracer.piece.balance import integrate
from tracer.piece.blank import circle, grown_silhouette
from tracer.piece.flat import region_of
from tracer.piece.mesh import mesh_of
from tracer.piece.notes import casting_tolerance_mm
from tracer.piece.solid import Solid, solid_of
from tracer.piece.values import Hole, Level, Piece

TESTS = Path(__file__).parents[1]
PLAIN = Piece(DISC, 5)
DRAFTED = Piece(DISC, 5, draft_deg=3)
STEPPED = Piece(box(-15, -10, 15, 10), 2, (Level("raised", box(-12, -10, 12, 0), 1),))

# Areas of flattened curves are true to t^4/26 = 1e-7, t^2 = 8 x 0.005/25 (`test_solid.py`); a
# section drawn in by draft loses up to 2e-6 more.
AREA = 1e-7
DRAWN_IN = 2e-6
EXACT = 0.0


def volume(piece: Piece) -> float:
    return integrate(solid_of(piece)).volume_mm3


def modulus(piece: Piece, *, back: bool) -> float:
    """Return volume over cooled surface of the mesh in mm."""
    mesh = mesh_of(solid_of(piece))
    return mesh.volume_mm3 / mesh.area_mm2(back=back)


def top_radius(solid: Solid) -> float:
    return math.sqrt(solid.section(solid.piece.body_mm).area / math.pi)


def less(outer: float, inner: float, at: complex) -> Drawing:
    """Return a disc less a round hole, curves as they are."""
    hole = ring(inner + 1, inner).shapes[0].holes[0]
    return Drawing((Form(circle(0j, outer), (hole.mapped(1, at),)),))


def putty_ml() -> float:
    mm3 = rubber_mm3(region_of(DISC, 0.0005), 5, math.pi * 625 * 5, 10, 10, boxed=False)
    return mm3 / 1000 * (1 + RUBBER_SPARE)


def polygon(*points: tuple[float, float]) -> Drawing:
    return drawing_of(shapely.Polygon(points))


def square_grown() -> Region:
    return grown_silhouette(shapely.MultiPolygon([shapely.box(0, 0, 40, 40)]), 1)


HOLED = less(25, 2, 20j)
CRESCENT = less(20, 15, 5 + 0j)
TRAPEZOID = polygon((0, 0), (40, 0), (30, 20), (10, 20))
"""Sides a = 20 above and b = 40 below, h = 20: h (2 a + b)/(3 (a + b)) = 8.8889."""


@dataclass(frozen=True)
class Computed:
    """An answer, how we compute it, and how far off it may be besides the rounding of the print."""

    number: str
    what: str
    answer: str  # as printed
    ours: Callable[[], float]
    off: float = EXACT  # relative


COMPUTED = (
    Computed("11.01", "volume of a disc 50 x 5", "9817.477", lambda: volume(PLAIN), AREA),
    Computed("11.01", "its mass at 7.28", "71.471", lambda: mass_g(volume(PLAIN), 7.28), AREA),
    Computed("11.02", "the same at 3 degrees", "9714.93", lambda: volume(DRAFTED), DRAWN_IN),
    Computed("11.02", "its top radius", "24.738", lambda: top_radius(solid_of(DRAFTED)), DRAWN_IN),
    Computed("11.03", "base 30 x 20 x 2 with 1 mm on 40 %", "1440", lambda: volume(STEPPED)),
    Computed("11.03", "its mass", "10.483", lambda: mass_g(volume(STEPPED), 7.28)),
    Computed("11.09", "V/A of a plate 10 x 10 x 4", "1.111",
             lambda: modulus(Piece(box(0, 0, 10, 10), 4), back=True)),
    Computed("11.10", "V/A of the disc, open back", "3.571", lambda: modulus(PLAIN, back=False)),
    Computed("11.10", "V/A of the disc, closed", "2.083", lambda: modulus(PLAIN, back=True)),
    Computed("11.11", "area of a semicircle r 20", "628.319", lambda: sector(20, math.pi).area),
    Computed("11.12", "quarter circle r 30, along", "12.7324",
             lambda: centroid(sector(30, math.pi / 2)).real),
    Computed("11.12", "quarter circle r 30, up", "12.7324",
             lambda: centroid(sector(30, math.pi / 2)).imag),
    Computed("11.12", "right triangle 30 x 12, b/3", "10.0000",
             lambda: centroid(polygon((0, 0), (30, 0), (0, 12))).real),
    Computed("11.12", "right triangle 30 x 12, h/3", "4.0000",
             lambda: centroid(polygon((0, 0), (30, 0), (0, 12))).imag),
    Computed("11.12", "trapezoid", "8.8889", lambda: centroid(TRAPEZOID).imag),
    Computed("11.13", "area of a sector r 30, 60 deg", "471.239",
             lambda: sector(30, math.pi / 3).area),
    Computed("11.14", "area of a triangle of side 40", "692.820",
             lambda: polygon((0, 0), (40, 0), (20, 20 * math.sqrt(3))).area),
    Computed("11.15", "area of an L", "700",
             lambda: polygon((0, 0), (40, 0), (40, 10), (10, 10), (10, 40), (0, 40)).area),
    Computed("11.16", "area of a ring 50/40", "706.858", lambda: ring(25, 20).area),
    Computed("11.17", "area of a crescent", "549.779", lambda: CRESCENT.area),
    Computed("11.17", "its centroid", "-6.4286", lambda: centroid(CRESCENT).real),
    Computed("11.18", "area of a disc with a hole", "1950.929", lambda: HOLED.area),
    Computed("11.18", "its centroid", "-0.12882", lambda: centroid(HOLED).imag),
    Computed("11.18", "that of the solid", "-0.12882",
             lambda: integrate(solid_of(Piece(DISC, 5, hole=Hole((0, 20), 4)))).centroid_mm[1],
             # the moment of the hole, 2/25 of whose radius, is flattened to t^4/26, t^2 = .04/2
             1.6e-5),
    # the four round corners are flattened to 0.004 mm: t^2 = 8 x 0.004/1, chords t^2/24 short
    Computed("11.20", "length of a square of 40 grown by 1", "166.2832",
             lambda: square_grown().length, 2 * math.pi / 166.28 * 0.032 / 24),
    # a circle of r 35 in steps of 1 degree: t^2/6 = 5.1e-5 of 57.7 against 47.9 ml
    Computed("11.25", "rubber of a round mould and a tenth, ml", "52.70", putty_ml, 6.2e-5),
    Computed("11.25", "each of two parts", "26.35", lambda: putty_ml() / 2, 6.2e-5),
    Computed("11.33", "50 mm at DCTG 8, least", "49.3", lambda: 50 - casting_tolerance_mm(50)),
    Computed("11.33", "50 mm at DCTG 8, most", "50.7", lambda: 50 + casting_tolerance_mm(50)),
)  # fmt: skip


@dataclass(frozen=True)
class Held:
    """An answer that another test holds: its figures stand in the text of that test."""

    number: str
    test: str
    figures: tuple[str, ...]


AMOUNTS, SOLID, FIND = "piece/test_amounts.py", "piece/test_solid.py", "rules/test_find.py"
HELD = (
    Held("11.01", f"{AMOUNTS}::test_mass_of_a_disc", ("71.471", "71.668", "71.569")),
    Held("11.04", f"{AMOUNTS}::test_master_of_a_tin_casting", ("50.2342", "51.0204")),
    Held("11.06", f"{AMOUNTS}::test_freezing_after_worked_problems", ("2.778",)),
    Held("11.07", f"{AMOUNTS}::test_freezing_after_worked_problems", ("3.257", "4.7")),
    Held("11.08", f"{AMOUNTS}::test_freezing_after_worked_problems", ("0.65", "0.763")),
    Held("11.10", f"{AMOUNTS}::test_freezing_of_a_pewter_disc", ("162", "55", "12.7")),
    Held("11.11", f"{SOLID}::test_centroids_of_areas", ("8.4883",)),
    Held("11.13", f"{SOLID}::test_centroids_of_areas", ("19.0986",)),
    Held("11.14", f"{SOLID}::test_centroids_of_areas", ("11.547",)),
    Held("11.15", f"{SOLID}::test_centroids_of_areas", ("13.5714",)),
    Held("11.17", "test_castable.py::test_a_crescent_whose_width_falls_to_zero", ()),
    Held("11.18", f"{SOLID}::test_solid_centroids", ("0.12882",)),
    Held("11.19", f"{SOLID}::test_tilt", ("37.519",)),
    Held("11.20", f"{SOLID}::test_blanks", ("1763.1416",)),
    Held("11.21", f"{FIND}::test_corners_are_not_thin", ()),
    Held("11.23", "rules/test_verify.py::test_islands_and_openings_by_their_inscribed_circle", ()),
    Held("11.24", f"{FIND}::test_sharp_tip", ("30",)),
    Held("11.25", f"{AMOUNTS}::test_rubber_of_a_round_and_of_a_boxed_mould", ("47909.3",)),
    Held("11.26", f"{AMOUNTS}::test_rubber_of_a_round_and_of_a_boxed_mould", ("43000",)),
    Held("11.27", f"{AMOUNTS}::test_wire_gauges_span_the_defining_ends", ("1.261",)),
    Held("11.27", f"{AMOUNTS}::test_wire_gauges_are_those_of_the_standard", ("1.024", "0.812")),
    Held("11.28", "raster/test_read.py::test_png_density_is_exact", ("11811", "11.811")),
    Held("11.29", f"{AMOUNTS}::test_density_by_composition", ("7.268",)),
    Held("11.30", f"{AMOUNTS}::test_head_for_a_line", ("16.09",)),
)  # fmt: skip

BY_A_TEST_BELOW = {"11.22", "11.23"}

NOT_OURS = {
    "11.05": "allowances are taken in per cent, none in inches a foot",
    "11.31": "no hardness of rubber is asked for and no bending told; that a fin is at most 2 and 3"
    " times as high as wide, which rests on it, is held by test_fins_of_two_to_one",
    "11.32": "every face of a master is flat or drafted and its steps are not told",
    "11.34": "the heat that melting takes is not told",
}


@pytest.mark.parametrize("row", COMPUTED, ids=lambda row: f"{row.number} {row.what}")
def test_computed(row: Computed) -> None:
    printed = float(row.answer)
    half_a_digit = 0.5 * 10.0 ** -len(row.answer.partition(".")[2])
    if "." not in row.answer:
        half_a_digit = 1e-9 * printed  # a whole number is exact
    assert row.ours() == pytest.approx(printed, abs=half_a_digit * 1.001 + row.off * abs(printed))


def test_every_answer_is_computed_held_or_not_ours() -> None:
    """And a test that is named holds the figures: they are numbers in its own text."""
    told = [row.number for row in (*COMPUTED, *HELD)] + [*BY_A_TEST_BELOW, *NOT_OURS]
    assert set(told) == {f"11.{k:02}" for k in range(1, 35)}
    for row in HELD:
        file, _, name = row.test.partition("::")
        numbers = numbers_in(TESTS / file, name)
        assert {float(f) for f in row.figures} <= numbers, row


def numbers_in(path: Path, name: str) -> set[float]:
    """Return the numbers in a test and in what it is parametrised with."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef) and node.name == name:
            values = (n.value for n in ast.walk(node) if isinstance(n, ast.Constant))
            return {float(v) for v in values if isinstance(v, int | float)}
    raise AssertionError(f"no {name} in {path.name}")


def test_the_reading_of_figures_notices_one_that_is_not_there() -> None:
    assert 37.519 in numbers_in(TESTS / SOLID, "test_tilt")
    assert 37.518 not in numbers_in(TESTS / SOLID, "test_tilt")
    with pytest.raises(AssertionError, match="no test_tilted"):
        numbers_in(TESTS / SOLID, "test_tilted")


# 11.22, 11.23: what an opening (closing) by r deletes (bridges) is thinner than 2 r. A place below
# a limit by less than a hundredth of a millimetre may be called either way; these are 0.02 off.
STRIP = shapes.region(shapely.box(0, 0, 20, 0.8))
SLOT = shapes.region(shapely.box(0, 0, 20, 10), shapely.box(0, 10.8, 20, 20))
DOT = shapes.region(shapely.box(0, 0, 10, 10), shapely.Point(20, 5).buffer(0.5, quad_segs=64))
BRIDGED = shapes.region(
    shapely.box(0, 0, 10, 10), shapely.box(11, 0, 21, 10), shapely.box(10, 4.5, 11, 5.5)
)


@pytest.mark.parametrize(
    ("shape", "limit", "keeps", "deletes", "kind"),
    [
        (STRIP, "metal", 0.78, 0.82, Kind.HAIRLINE),
        (SLOT, "gap", 0.78, 0.82, Kind.NARROW_GAP),
        (DOT, "island", 0.98, 1.02, Kind.SMALL_ISLAND),
        (BRIDGED, "metal", 0.98, 1.2, Kind.NECK),
    ],
    ids=["11.22 strip", "11.22 gap", "11.23 dot", "11.23 bridge"],
)
def test_opening_keeps_and_deletes(
    shape: Region, limit: str, keeps: float, deletes: float, kind: Kind
) -> None:
    def found(value: float) -> list[Kind]:
        sizes: dict[str, Any] = {"metal": 0.0, "gap": 0.0, "island": 0.0, "opening": 0.0}
        return [f.kind for f in check(shape, **(sizes | {limit: value})).findings]

    assert found(keeps) == []
    assert found(deletes) == [kind]
