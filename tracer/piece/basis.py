"""What each figure of a plan rests on, where it is not geometry or the user's own."""

from collections.abc import Iterator
from dataclasses import dataclass

from tracer.piece.amounts import PRINT_SPARE, RUBBER_SPARE
from tracer.piece.materials import RULES
from tracer.piece.plan import Plan
from tracer.piece.values import Rule

SCALE_UNCERTAINTY = 0.005
"""Of the master scale until a casting is measured."""


@dataclass(frozen=True, slots=True)
class Basis:
    """The kind of the rule behind a figure, and the rule in words."""

    rule: Rule
    text: str


def bases_of(plan: Plan) -> dict[str, Basis]:
    """Return what the figures of a plan rest on, by their path in its record.

    What is not among them is geometry of the piece, or was asked for by the user.
    """
    return dict(
        [*_of_metal(plan), *_of_master(plan), *_of_form(plan), *_of_amounts(plan), *_of_pour(plan)]
    )


def _of_metal(plan: Plan) -> Iterator[tuple[str, Basis]]:
    metal, wish = plan.metal, plan.wish
    mixed = Basis(Rule.PHYSICS, "rule of mixtures: the volumes of the elements add up")
    yield "alloy.density_by_composition_g_cm3", mixed
    if wish.density is None:
        table = Basis(metal.density_rule, metal.density_basis)
        yield "alloy.density_g_cm3", table if wish.composition is None else mixed
    if wish.contraction is None and plan.allowance.calibrated is None:
        contraction = Basis(metal.contraction_rule, metal.contraction_basis)
        yield "allowance.contraction_percent", contraction


def _of_master(plan: Plan) -> Iterator[tuple[str, Basis]]:
    if plan.allowance.calibrated is not None:
        scale = "wanted / measured x scale of that master"
    else:
        scale = "1 / ((1 - contraction)(1 - rubber)(1 + growth (T - 20)))"
    yield "master_scale", Basis(Rule.PHYSICS, scale)
    text = f"the scale is known to {100 * SCALE_UNCERTAINTY:g} % until a casting is measured"
    yield "allowance.uncertainty_percent", Basis(Rule.JUDGEMENT, text)


def _of_form(plan: Plan) -> Iterator[tuple[str, Basis]]:
    wish, limits = plan.wish, plan.process.limits
    for given, name, path in (
        (wish.draft_deg, "draft_deg", "draft_deg"),
        (wish.fillet_mm, "foot_fillet", "fillet_mm"),
    ):
        if given is None and name in limits and (plan.piece.levels or path == "draft_deg"):
            yield path, Basis(RULES.get(limits[name].evidence, Rule.SHOP_RULE), limits[name].basis)
    yield "fillet_limit_mm", Basis(Rule.JUDGEMENT, "half of the least height stays straight")
    if plan.hole is None:
        return
    if wish.hole.kind == "ring" and wish.hole.label:
        gauge = Basis(Rule.STANDARD, "ASTM B258: 0.127 mm x 92^((36 - gauge) / 39), and play")
        yield "hole.diameter_mm", gauge
    elif wish.hole.kind in ("ring", "cord"):
        play = "the wire or cord and its play; common practice, no source"
        yield "hole.diameter_mm", Basis(Rule.SHOP_RULE, play)
    diagonal = "a ring that clears the rim spans the diagonal of wall and thickness, and play"
    yield "hole.ring_inside_mm", Basis(Rule.GEOMETRY, diagonal)
    yield "tilt_deg", Basis(Rule.PHYSICS, "the centroid hangs plumb below the hole")


def _of_amounts(plan: Plan) -> Iterator[tuple[str, Basis]]:
    filling = plan.filling
    walls = Basis(filling.wall_rule, filling.wall_basis)
    yield "rubber.side_mm", walls
    yield "rubber.base_mm", walls
    practice = "common practice, no source"
    spare = f"{100 * RUBBER_SPARE:.0f} % spare; {practice}; walls: {filling.wall_basis}"
    for path in ("rubber_ml", "rubber.each_part_ml", "rubber.spare_percent"):
        yield path, Basis(Rule.SHOP_RULE, spare)
    spare = f"{100 * PRINT_SPARE:.0f} % for supports and purge; {practice}"
    yield "print_ml", Basis(Rule.SHOP_RULE, spare)
    yield "print_pla_g", Basis(Rule.SHOP_RULE, f"{spare}; PLA has 1.24 g/cm³, from memory")
    yield "metal_to_melt_g", Basis(filling.extra_rule, filling.extra_basis)
    freezing = Basis(Rule.PHYSICS, f"Chvorinov, t = C (V/A)^2; {filling.heat_basis}")
    yield "freeze_s", freezing
    yield "freezing.constant_s_mm2", freezing


def _of_pour(plan: Plan) -> Iterator[tuple[str, Basis]]:
    feed = (
        "feed at the thickest section (jewellery-trade articles); of equals the one farthest"
        " from the hole"
    )
    yield "pour.gate", Basis(Rule.HANDBOOK, feed)
    head = "2 gamma/(rho g w), an upper bound; a falling stream adds to it"
    yield "pour.head_mm", Basis(Rule.PHYSICS, head)
    if plan.pour.necks:
        modulus = "modulus method: a feeder wants 1.2 times the modulus of what it feeds"
        yield "pour.necks", Basis(Rule.HANDBOOK, f"{modulus} (Wlodawer, from memory)")
    if plan.pour.vents:
        deep = "the end of a groove deeper than wide may trap air"
        yield "pour.vents", Basis(Rule.JUDGEMENT, deep)
