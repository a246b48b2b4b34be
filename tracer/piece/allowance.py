"""From finished size to master size: contraction, rubber, finishing stock; applied once, last."""

from dataclasses import dataclass

from tracer.errors import UsageError

ROOM_C = 20.0


@dataclass(frozen=True, slots=True)
class Allowance:
    """What the master is larger by.

    Parameters
    ----------
    contraction
        Linear, of the metal from freezing to room temperature, as a fraction.
    rubber
        Linear shrinkage of the mould on curing, as a fraction.
    mould_c
        Mean temperature of the mould at the pour; its growth works against the contraction.
    rubber_expansion
        Linear, per K.
    stock_mm
        Lost per side in sanding and polishing.
    calibrated
        Master over finished as measured on a casting; overrules the rest but the stock.
    """

    contraction: float
    rubber: float = 0.0
    mould_c: float = ROOM_C
    rubber_expansion: float = 0.0
    stock_mm: float = 0.0
    calibrated: float | None = None

    @property
    def master_scale(self) -> float:
        """Master over finished size.

        ``cast = master (1 - s_rubber)(1 + a_rubber (T - 20))(1 - s_metal)``, turned round; with the
        metal alone ``1 / (1 - s)``, not ``1 + s``.
        """
        if self.calibrated is not None:
            return self.calibrated
        growth = 1 + self.rubber_expansion * (self.mould_c - ROOM_C)
        return 1 / ((1 - self.contraction) * (1 - self.rubber) * growth)


def calibrated_scale(measured_mm: float, wanted_mm: float, master_scale: float = 1.0) -> float:
    """Return the master scale that a measured casting asks for.

    Parameters
    ----------
    measured_mm, wanted_mm
        One length on the casting, and what it should have been.
    master_scale
        The scale of the master that the casting came from; 1: a master of the wanted size.

    Raises
    ------
    UsageError
        The two differ by more than 10 %: not the same length.
    """
    ratio = wanted_mm / measured_mm
    if not 0.9 <= ratio <= 1.1:
        raise UsageError(
            f"measured {measured_mm:g} mm and wanted {wanted_mm:g} mm differ by more than 10 %",
            hint="measure the same length on casting and plan",
            subject="--measured",
        )
    return master_scale * ratio
