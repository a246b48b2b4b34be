"""Amounts and allowances against closed forms, tables and worked problems."""

import math

import pytest

from tests.piece.forms import DISC, box
from tracer.errors import UsageError
from tracer.piece.allowance import Allowance, calibrated_scale
from tracer.piece.amounts import (
    checked_density,
    freeze_s,
    mass_g,
    mixed_density,
    rubber_mm3,
)
from tracer.piece.flat import region_of
from tracer.piece.hole import HoleWish, hole_diameter, ring_inside_mm, wire_mm
from tracer.piece.materials import freezing_constant, load_filling, load_metal
from tracer.piece.notes import casting_tolerance_mm
from tracer.piece.pour import bar_modulus, capillary_head_mm
from tracer.process import alloy_names

DISC_MM3 = math.pi * 25**2 * 5


# ASTM B258 prints diameters to four significant figures; these from a printed wire table.
@pytest.mark.parametrize(
    ("gauge", "mm"),
    [
        (12, 2.053), (14, 1.628), (16, 1.291), (18, 1.024), (19, 0.912), (20, 0.812),
        (22, 0.644), (24, 0.511), (26, 0.405), (36, 0.127),
    ],
)  # fmt: skip
def test_wire_gauges_are_those_of_the_standard(gauge: int, mm: float) -> None:
    assert wire_mm(gauge) == pytest.approx(mm, abs=0.0006)


def test_wire_gauges_span_the_defining_ends() -> None:
    # ASTM B258 defines No. 36 as 0.0050 in and No. 0000 (-3) as 0.4600 in
    assert wire_mm(36) == pytest.approx(0.0050 * 25.4)
    assert wire_mm(-3) == pytest.approx(0.4600 * 25.4)
    assert wire_mm(18) / wire_mm(20) == pytest.approx(1.2610, abs=5e-5)


@pytest.mark.parametrize(
    ("wish", "diameter"),
    [
        (HoleWish("diameter", 4.0), 4.0),
        (HoleWish("ring", wire_mm(18)), 2.0),  # 1.02 + 0.5, but the mould holds 2.0 at least
        (HoleWish("ring", wire_mm(12)), 2.6),
        (HoleWish("cord", 2.0), 3.0),
        (HoleWish("none"), 0.0),
    ],
)
def test_hole_for(wish: HoleWish, diameter: float) -> None:
    assert hole_diameter(wish, 2.0) == pytest.approx(diameter)


def test_ring_clears_the_rim() -> None:
    # the ring encloses a rectangle e x t: Pythagoras, plus play
    assert ring_inside_mm(3.0, 4.0) == pytest.approx(5.5)


@pytest.mark.parametrize(("density", "grams"), [(7.28, 71.471), (7.30, 71.668), (7.29, 71.569)])
def test_mass_of_a_disc(density: float, grams: float) -> None:
    assert mass_g(DISC_MM3, density) == pytest.approx(grams, abs=6e-4)


# 1 / sum(w / rho) with the elements' densities (CRC Handbook, from memory), worked by hand
@pytest.mark.parametrize(
    ("percent", "density"),
    [
        ({"Sn": 92, "Sb": 7.5, "Cu": 0.5}, 7.244),
        ({"Sn": 91, "Sb": 7, "Cu": 2}, 7.268),
        ({"Sn": 92, "Sb": 8}, 7.234),
        ({"Sn": 98, "Bi": 1.5, "Cu": 0.5}, 7.322),
        ({"Sn": 97, "Cu": 2, "Ag": 1}, 7.337),
        ({"Bi": 58, "Sn": 42}, 8.556),
        ({"Sn": 63, "Pb": 37}, 8.389),
    ],
)
def test_density_by_composition(percent: dict[str, float], density: float) -> None:
    assert mixed_density(percent) == pytest.approx(density, abs=6e-4)


def test_density_refuses_what_cannot_be_meant() -> None:
    with pytest.raises(UsageError, match="too light for a tin alloy"):
        checked_density(5.77, tin_base=True)  # grey tin, printed as "density of tin" on some pages
    with pytest.raises(UsageError, match="no casting metal"):
        checked_density(0.9, tin_base=False)
    with pytest.raises(UsageError, match="add up to 90"):
        mixed_density({"Sn": 90})
    with pytest.raises(UsageError, match='no density for "Xx"'):
        mixed_density({"Xx": 100})


def test_every_alloy_has_what_planning_needs() -> None:
    for name in alloy_names():
        metal = load_metal(name)
        # the rule of mixtures against the table: within 2.5 % (brass shrinks on alloying)
        assert metal.by_composition == pytest.approx(metal.density, rel=0.025)
        assert 0 <= metal.contraction < 0.03
        assert metal.pour_c > metal.freezing_c
        assert metal.contraction_basis
        assert metal.melt_basis


def test_master_of_a_tin_casting() -> None:
    # 22.0e-6 /K (CRC) from the ITS-90 freezing point to 20 C; 50 mm wanted
    assert 50 * Allowance(22.0e-6 * (231.928 - 20)).master_scale == pytest.approx(50.2342, abs=5e-5)
    assert 50 * Allowance(0.02).master_scale == pytest.approx(51.0204, abs=5e-5)  # not 51.0000


@pytest.mark.parametrize(
    ("mould_c", "scale"), [(20, 1.0059), (25, 1.0045), (40, 1.0003), (60, 0.9948), (80, 0.9893)]
)
def test_warm_rubber_turns_the_sign(mould_c: float, scale: float) -> None:
    # cast = master (1 - 0.001)(1 + 2.8e-4 (T - 20))(1 - 23e-6 (232 - 20)), worked by hand
    allowance = Allowance(23e-6 * 212, 0.001, mould_c, 2.8e-4)
    assert allowance.master_scale == pytest.approx(scale, abs=6e-5)


def test_calibration_from_a_measured_casting() -> None:
    assert calibrated_scale(49.6, 50) == pytest.approx(50 / 49.6)
    assert calibrated_scale(50.1, 50, 1.005) == pytest.approx(1.005 * 50 / 50.1)
    with pytest.raises(UsageError, match="differ by more than 10 %"):
        calibrated_scale(40, 50)


def test_freezing_after_worked_problems() -> None:
    # plate 30 x 15 x 2 cm, C 4 min/cm2 (worked problem): 2.778 min
    area = 2 * (30 * 15 + 30 * 2 + 15 * 2)
    assert freeze_s(900, area, 4) == pytest.approx(2.778, abs=5e-4)
    # Groover, Fundamentals of Modern Manufacturing (from memory): plate 7.5 x 12.5 x 2 freezes in
    # 1.6 min, so C = 3.26; a riser with D = H that freezes in 2.0 min has D = 4.7
    constant = 1.6 / (187.5 / 267.5) ** 2
    assert constant == pytest.approx(3.257, abs=5e-4)
    assert 6 * math.sqrt(2.0 / constant) == pytest.approx(4.70, abs=5e-3)
    # sphere, cube, cylinder of equal volume: 1, 0.650, 0.763 of the time
    v = 0.015
    r = (3 * v / (4 * math.pi)) ** (1 / 3)
    sphere = freeze_s(v, 4 * math.pi * r**2, 1)
    cube = freeze_s(v, 6 * v ** (2 / 3), 1)
    d = (4 * v / math.pi) ** (1 / 3)
    cylinder = freeze_s(v, 1.5 * math.pi * d**2, 1)
    assert cube / sphere == pytest.approx(0.650, abs=1e-3)
    assert cylinder / sphere == pytest.approx(0.763, abs=1e-3)


def test_freezing_of_a_pewter_disc() -> None:
    constant = freezing_constant(load_metal("pewter"), load_filling("silicone"))
    assert constant == pytest.approx(12.7, abs=0.05)
    open_back = math.pi * 625 + math.pi * 50 * 5
    assert freeze_s(DISC_MM3, open_back, 12.7) == pytest.approx(162, abs=0.5)
    assert freeze_s(DISC_MM3, open_back + math.pi * 625, 12.7) == pytest.approx(55, abs=0.5)


def test_rubber_of_a_round_and_of_a_boxed_mould() -> None:
    # dia 70 x 15 less the part: 57726.77 - 9817.48; box 70 x 50 x 14 less 6000
    disc = region_of(DISC, 0.0005)
    round_ = rubber_mm3(disc, 5, DISC_MM3, 10, 10, boxed=False)
    assert round_ == pytest.approx(47909.3, rel=1e-4)
    plate = region_of(box(-25, -15, 25, 15))
    assert rubber_mm3(plate, 4, 6000, 10, 10, boxed=True) == pytest.approx(43000)


# Young-Laplace, 2 gamma/(rho g w), gamma 0.55 N/m, rho 6970
@pytest.mark.parametrize(("width", "head"), [(1.0, 16.09), (1.5, 10.7), (0.8, 20.1)])
def test_head_for_a_line(width: float, head: float) -> None:
    assert capillary_head_mm(width, 0.55, 6970) == pytest.approx(head, abs=0.03)


# w t / (w + 2 t) for a bar with an open back, worked by hand
@pytest.mark.parametrize(
    ("width", "modulus"), [(1, 0.429), (1.5, 0.600), (2, 0.750), (3, 1.000), (20, 2.308)]
)
def test_modulus_of_a_bar(width: float, modulus: float) -> None:
    assert bar_modulus(width, 3, open_back=True) == pytest.approx(modulus, abs=5e-4)


def test_casting_tolerance_is_half_the_band() -> None:
    assert casting_tolerance_mm(50) == 0.7  # ISO 8062-3 table 2, DCTG 8, 40 to 63 mm: 1.4 in all
