"""What planning needs to know of alloys and moulds, each figure with its basis."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from tracer.piece.amounts import chvorinov_constant, mixed_density
from tracer.piece.values import Rule
from tracer.process import load_alloy

RULES = {"S": Rule.HANDBOOK, "S2": Rule.HANDBOOK, "M": Rule.HANDBOOK, "D": Rule.PHYSICS,
         "P": Rule.SHOP_RULE, "J": Rule.JUDGEMENT}  # fmt: skip
"""What kind of rule a figure of each evidence is."""
_MOULD_C = 20.0


@dataclass(frozen=True, slots=True)
class Metal:
    """An alloy as far as a plan needs it."""

    name: str
    label: str
    density: float  # g/cm3
    density_rule: Rule
    density_basis: str
    composition: Mapping[str, float]
    pour_c: float
    contraction: float  # fraction
    contraction_rule: Rule
    contraction_basis: str
    freezing_c: float
    latent_j_g: float
    liquid_heat_j_gk: float
    liquid_g_cm3: float
    tension_n_m: float
    melt_basis: str

    @property
    def by_composition(self) -> float:
        """Density in g/cm3 by the rule of mixtures."""
        return mixed_density(self.composition)

    @property
    def is_tin(self) -> bool:
        """Whether most of it is tin."""
        return self.composition.get("Sn", 0) > 80


@dataclass(frozen=True, slots=True)
class Filling:
    """A mould as far as a plan needs it."""

    name: str
    open_back: bool
    extra: float
    loss: float
    extra_rule: Rule
    extra_basis: str
    side_mm: float
    base_mm: float
    wall_rule: Rule
    wall_basis: str
    conductivity_w_mk: float
    density_g_cm3: float
    heat_j_gk: float
    growth_per_k: float
    heat_basis: str


def load_metal(name: str) -> Metal:
    """Return an alloy by name; UsageError if unknown."""
    alloy = load_alloy(name)
    data = dict(_tables()["metal"][name])
    return Metal(
        name=name,
        label=alloy.label,
        density=alloy.density,
        density_rule=RULES[data.pop("density_evidence")],
        pour_c=alloy.pour_c,
        contraction=data.pop("contraction") / 100,
        contraction_rule=RULES[data.pop("contraction_evidence")],
        **data,
    )


def load_filling(mould: str) -> Filling:
    """Return how a mould is filled; silicone where a process names none."""
    name = mould or "silicone"
    data = dict(_tables()["filling"][name])
    return Filling(
        name=name,
        extra_rule=RULES[data.pop("extra_evidence")],
        wall_rule=RULES[data.pop("wall_evidence")],
        **data,
    )


def freezing_constant(metal: Metal, filling: Filling) -> float:
    """Return Chvorinov's constant of a metal in a cold mould, in s/mm2."""
    return chvorinov_constant(
        density=metal.liquid_g_cm3 * 1000,
        latent=metal.latent_j_g * 1000,
        heat=metal.liquid_heat_j_gk * 1000,
        superheat=max(0.0, metal.pour_c - metal.freezing_c),
        freezing_c=metal.freezing_c,
        mould_c=_MOULD_C,
        mould_k=filling.conductivity_w_mk,
        mould_density=filling.density_g_cm3 * 1000,
        mould_heat=filling.heat_j_gk * 1000,
    )


@cache
def _tables() -> dict[str, Any]:
    text = resources.files("tracer").joinpath("data", "materials.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
