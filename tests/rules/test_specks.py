"""Specks are set aside before anything dear is done, however many there are."""

import dataclasses
import math
from typing import Any

import pytest
import shapely

from tests.rules.shapes import limits, region, wanted
from tracer.model import Kind, Mended, Verdict
from tracer.rules.specks import set_aside
from tracer.settings import Role


def dust(count: int, radius: float) -> list[Any]:
    """Dots of 16 sides a millimetre apart, a hundred a row."""
    return [shapely.Point(k % 100, 20 + k // 100).buffer(radius, quad_segs=4) for k in range(count)]


PLATE = shapely.box(0, 0, 200, 15)


def test_ten_thousand_specks_are_one_finding() -> None:
    aside = set_aside(
        region(PLATE, *dust(10_000, 0.2)), limits(), wanted(Role.RAISED), check_only=False
    )
    (finding,) = aside.findings
    assert aside.region.equals(region(PLATE))
    assert (finding.kind, finding.status) == (Kind.SMALL_ISLAND, "fixed")
    assert finding.action == "10000 specks removed"
    assert finding.width_mm == pytest.approx(0.4, rel=0.05)
    polygon_of_16 = 16 / 2 * 0.2**2 * math.sin(2 * math.pi / 16)
    assert finding.area_mm2 == pytest.approx(10_000 * polygon_of_16, rel=1e-6)


@pytest.mark.parametrize(("role", "kind"), [
    (Role.RAISED, Kind.SMALL_OPENING), (Role.SUNK, Kind.SMALL_ISLAND),
])  # fmt: skip
def test_pinholes_change_sides_with_the_role(role: Role, kind: Kind) -> None:
    pierced = region(shapely.box(-1, 19, 100, 21).difference(shapely.union_all(dust(40, 0.1))))
    aside = set_aside(pierced, limits(), wanted(role), check_only=False)
    assert [f.kind for f in aside.findings] == [kind]
    assert aside.region.equals(region(shapely.box(-1, 19, 100, 21)))


@pytest.mark.parametrize(
    ("count", "radius"),
    [(5, 0.2), (50, 0.3)],  # so few, or bounds of more than half the limit across
)
def test_few_or_large_ones_are_told_one_by_one(count: int, radius: float) -> None:
    shape = region(PLATE, *dust(count, radius))
    aside = set_aside(shape, limits(), wanted(Role.RAISED), check_only=False)
    assert aside.findings == ()
    assert aside.region is shape


def test_a_speck_goes_with_all_that_is_in_it() -> None:
    rings = [dot.difference(dot.centroid.buffer(0.05)) for dot in dust(20, 0.2)]
    aside = set_aside(region(PLATE, *rings), limits(), wanted(Role.RAISED), check_only=False)
    assert aside.region.equals(region(PLATE))


def test_an_opening_with_a_sound_piece_in_it_is_none() -> None:
    """Openings count as small below 2 mm here, pieces below 0.4 mm only."""
    centres = [shapely.Point(3 * k, 0) for k in range(20)]
    frames = [c.buffer(1).difference(c.buffer(0.5)) for c in centres]
    shape = region(*frames, *(c.buffer(0.25) for c in centres))
    aside = set_aside(shape, limits(island=0.4, opening=2.0), wanted(Role.RAISED), check_only=False)
    assert aside.region is shape


def test_kept_specks_come_back() -> None:
    shape = region(PLATE, *dust(30, 0.2))
    settings = dataclasses.replace(wanted(Role.RAISED), keep_findings=(1, 3))
    aside = set_aside(shape, limits(), settings, check_only=False)
    assert aside.inner(settings).keep_findings == (0, 2)
    back = aside.put_back(Mended(aside.region, (), Verdict.SOUND, 0.0))
    assert [f.status for f in back.findings] == ["kept"]
    assert back.region.equals(shape)
    assert back.verdict is Verdict.AT_RISK
