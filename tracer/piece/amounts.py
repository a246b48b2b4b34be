"""How much of everything: metal, rubber, print, time to freeze."""

import math
from collections.abc import Mapping

from tracer.errors import UsageError
from tracer.model import Region

DENSITY = {
    "Sn": 7.287, "Sb": 6.68, "Cu": 8.96, "Bi": 9.79, "Ag": 10.5, "Zn": 7.134, "Pb": 11.3,
    "Al": 2.70, "In": 7.31, "Au": 19.3,
}  # fmt: skip
"""g/cm3 at room temperature; from memory of the CRC Handbook, section 4. Tin is white tin: grey
tin, 5.77, is printed as the density of tin on some pages and belongs to no casting."""

RUBBER_SPARE = 0.10
"""Rubber mixed over the volume of the mould. Common practice, no source."""
PRINT_SPARE = 0.10
"""Resin or filament over the volume of the master: supports, purge. Common practice, no source."""
PLA_G_CM3 = 1.24
"""From memory of maker's sheets."""


def mixed_density(percent: Mapping[str, float]) -> float:
    """Return the density of an alloy from its composition by mass, in g/cm3.

    Rule of mixtures ``100 / sum(w_i / rho_i)``: volumes add. For tin alloys within 1 %.

    >>> round(mixed_density({"Sn": 91, "Sb": 7, "Cu": 2}), 3)
    7.268

    Raises
    ------
    UsageError
        Unknown element, or shares that do not add up to 100.
    """
    unknown = sorted(set(percent) - set(DENSITY))
    if unknown:
        raise UsageError(
            f'no density for "{unknown[0]}"', hint=f"one of {', '.join(DENSITY)}", subject="--alloy"
        )
    total = math.fsum(percent.values())
    if not math.isclose(total, 100, abs_tol=0.5):
        raise UsageError(f"the shares add up to {total:g} %, not 100", subject="--alloy")
    return total / math.fsum(share / DENSITY[name] for name, share in percent.items())


def checked_density(density: float, *, tin_base: bool) -> float:
    """Return a density that can be meant.

    Raises
    ------
    UsageError
        Outside 2 to 23 g/cm3, or below 7 for a tin alloy (5.77 is grey tin, no metal to cast).
    """
    if not 2 <= density <= 23:
        raise UsageError(
            f"{density:g} g/cm³ is no casting metal", hint="2 to 23 g/cm³", subject="--density"
        )
    if tin_base and density < 7:
        raise UsageError(
            f"{density:g} g/cm³ is too light for a tin alloy",
            hint="5.77 is grey tin; cast tin has 7.29, pewter 7.24 to 7.30",
            subject="--density",
        )
    return density


def mass_g(volume_mm3: float, density: float) -> float:
    """Return the mass of a volume.

    >>> round(mass_g(9817.477, 7.28), 3)
    71.471
    """
    return volume_mm3 * density / 1000


def rubber_mm3(
    outline: Region,
    height_mm: float,
    part_mm3: float,
    side_mm: float,
    base_mm: float,
    *,
    boxed: bool,
) -> float:
    """Return the rubber of a one-part mould without spare.

    The mould is the outline grown by `side_mm` (or the box round it) and `base_mm` thicker than
    the piece is high, less the piece.
    """
    if boxed:
        left, bottom, right, top = outline.bounds
        plan = (right - left + 2 * side_mm) * (top - bottom + 2 * side_mm)
    else:
        plan = outline.buffer(side_mm, quad_segs=90).area
    return float(plan * (height_mm + base_mm) - part_mm3)


def freeze_s(volume_mm3: float, cooled_mm2: float, constant_s_mm2: float) -> float:
    """Return the time to freeze after Chvorinov: ``C (V/A)^2``, A in contact with the mould.

    >>> round(freeze_s(9817.477, math.pi * 625 + math.pi * 50 * 5, 12.7))
    162
    """
    return constant_s_mm2 * (volume_mm3 / cooled_mm2) ** 2


def chvorinov_constant(  # noqa: PLR0913 - the symbols of the formula
    *,
    density: float,
    latent: float,
    heat: float,
    superheat: float,
    freezing_c: float,
    mould_c: float,
    mould_k: float,
    mould_density: float,
    mould_heat: float,
) -> float:
    """Return Chvorinov's constant in s/mm2 from properties (SI, temperatures in C).

    ``C = [rho (L + c dT) / (2/sqrt(pi) sqrt(k rho_m c_m) (T_f - T_0))]^2``: a semi-infinite mould
    that takes the heat at its surface held at T_f (casting lecture notes; Flemings, Solidification
    Processing, from memory).
    """
    heat_out = density * (latent + heat * superheat)
    flow = 2 / math.sqrt(math.pi) * math.sqrt(mould_k * mould_density * mould_heat)
    return float((heat_out / (flow * (freezing_c - mould_c))) ** 2 / 1e6)
