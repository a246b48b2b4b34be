"""What a piece is made with, and what follows from it where the wish leaves it open."""

from dataclasses import dataclass

from tracer.curves.path import Drawing
from tracer.errors import UsageError
from tracer.fit.drawing import fit_drawing
from tracer.model import Region
from tracer.piece.allowance import Allowance, calibrated_scale
from tracer.piece.materials import Filling, Metal
from tracer.piece.wish import PieceWish
from tracer.process import Process

FIT_MM = 0.01
"""Tolerance of curves fitted to computed outlines: grown blanks, clipped designs."""
_FIT_PIXEL_MM = 0.02
MARGIN_MM = 1.5
"""Room left between what is placed by us and rim, rounding or hole: a judgement."""


@dataclass(frozen=True, slots=True, eq=False)
class Means:
    """What a piece is made of and with."""

    process: Process
    metal: Metal
    filling: Filling

    def limit(self, name: str) -> float:
        """Return the advised value of a limit of the process, 0 where it has none."""
        found = self.process.limits.get(name)
        return found.advised if found else 0.0


def draft_for(wish: PieceWish, process: Process) -> float:
    """Return the draft in degrees: as asked, else as the process advises."""
    if wish.draft_deg is not None:
        return wish.draft_deg
    limit = process.limits.get("draft_deg")
    return limit.advised if limit else 0.0


def fillet_for(wish: PieceWish, process: Process) -> float:
    """Return the inside fillet: as asked, else as advised but at most half of every height."""
    heights = [abs(d.height_mm) for d in wish.designs if d.height_mm]
    heights += [wish.rim_mm[1]] if wish.rim_mm else []
    if not heights:
        return 0.0
    most = min(heights) / 2
    if wish.fillet_mm is None:
        limit = process.limits.get("foot_fillet")
        return min(limit.advised if limit else 0.0, most)
    if wish.fillet_mm > most + 1e-9:
        raise UsageError(
            f"an inside fillet of {wish.fillet_mm:g} mm takes more than half of the least height",
            hint=f"--fillet {most:g}mm works",
            subject="--fillet",
        )
    return wish.fillet_mm


def fitted(region: Region) -> Drawing:
    """Return a computed region as lines, arcs and curves."""
    return fit_drawing(region, FIT_MM, pixel_mm=_FIT_PIXEL_MM, regular=False).drawing


def allowance_for(wish: PieceWish, means: Means) -> Allowance:
    """Return the allowance: from a measured casting if given, else from metal and rubber."""
    calibrated = None
    if wish.measured_mm is not None and wish.wanted_mm is not None:
        calibrated = calibrated_scale(wish.measured_mm, wish.wanted_mm, wish.master_was)
    contraction = means.metal.contraction if wish.contraction is None else wish.contraction
    return Allowance(
        contraction,
        wish.rubber_shrinkage,
        wish.mould_c,
        means.filling.growth_per_k,
        wish.finish_mm,
        calibrated,
    )
