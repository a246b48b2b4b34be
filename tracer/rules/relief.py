"""What height, draft, finishing and the printed master ask beyond the limits of the process."""

import math
import tomllib
from dataclasses import replace
from functools import cache
from importlib import resources
from typing import Any

from tracer.process import Limit, Limits, Process
from tracer.settings import Grade, Role, Settings
from tracer.units import shown_length


def adjusted_limits(
    limits: Limits, process: Process, settings: Settings
) -> tuple[Limits, tuple[str, ...]]:
    """Return the limits that a relief, its finish and its printed master ask for.

    Finishing takes stock off both sides of metal: widths and islands must be drawn larger by twice
    the stock. Gaps and openings grow in finishing, so their limits stay. A gap must be wide enough
    for the height of the relief (fin ratio), an opening likewise (pillar ratio), and a gap must not
    close at its foot, where draft takes 2 H tan(draft) of its width. What is printed must also be
    printable: the larger of both limits holds.

    Parameters
    ----------
    limits
        Of the process in its role, in mm.
    process
        Its fin and pillar ratios are used.
    settings
        Relief and role.

    Returns
    -------
    tuple
        The limits, and sentences for the report. Without limits nothing is changed.
    """
    relief = settings.relief
    if limits.none:
        return limits, ()
    notes: list[str] = []
    if relief.printer is not None:
        limits = _printable(limits, relief.printer, settings.role, notes)
    if relief.height_mm is not None:
        limits = _for_height(limits, process, relief.height_mm, relief.draft_deg or 0.0, notes)
    if relief.finish_mm > 0:
        stock = 2 * relief.finish_mm
        text = f"{shown_length(stock)} more for the stock lost in finishing on both sides"
        limits = replace(
            limits,
            metal=_explained(limits.metal.raised_by(stock), text),
            island=_explained(limits.island.raised_by(stock), text),
        )
        notes.append(
            f"finishing takes {shown_length(relief.finish_mm)} per side: metal is drawn "
            f"{shown_length(stock)} wider, gaps and openings come out {shown_length(stock)} wider"
        )
    return limits, tuple(notes)


def _for_height(
    limits: Limits, process: Process, height: float, draft_deg: float, notes: list[str]
) -> Limits:
    closes = 2 * height * math.tan(math.radians(draft_deg))
    gap, opening = limits.gap, limits.opening
    fin, pillar = process.limits.get("fin_ratio"), process.limits.get("pillar_ratio")
    if fin is not None:
        gap = _at_least(gap, _per_ratio(height, fin), f"fins of {shown_length(height)} height")
    if pillar is not None:
        text = f"pillars of {shown_length(height)} height"
        opening = _at_least(opening, _per_ratio(height, pillar), text)
    if closes > 0:
        text = f"draft closes a gap by {shown_length(closes)} at its foot"
        gap = _at_least(gap, (closes, closes, closes), text)
        opening = _at_least(opening, (closes, closes, closes), text)
        top = limits.metal.at(Grade.ADVISED) - closes
        notes.append(
            f"with {draft_deg:g} degrees of draft a gap is {shown_length(closes)} narrower at its "
            f"foot; a line drawn at its foot at the advised limit has a top of "
            f"{shown_length(max(top, 0.0))}"
        )
    return replace(limits, gap=gap, opening=opening)


def _per_ratio(height: float, ratio: Limit) -> tuple[float, float, float]:
    least, advised, comfortable = (
        height / x if x > 0 else 0.0 for x in (ratio.least, ratio.advised, ratio.comfortable)
    )
    return least, advised, comfortable


def _printable(limits: Limits, printer: str, role: Role, notes: list[str]) -> Limits:
    data = _printers()[printer]
    through = role is Role.SILHOUETTE
    metal = data["wall"] if through else data["line"]
    opening = data["hole"] if through else data["groove"]
    text = f"{data['label']}: {data['basis']}"
    raised = replace(
        limits,
        metal=_at_least(limits.metal, (metal,) * 3, text),
        gap=_at_least(limits.gap, (data["groove"],) * 3, text),
        island=_at_least(limits.island, (data["line"],) * 3, text),
        opening=_at_least(limits.opening, (opening,) * 3, text),
    )
    if raised != limits:
        notes.append(f"limits raised to what can be printed: {text}")
    return raised


def _at_least(limit: Limit, floor: tuple[float, float, float], why: str) -> Limit:
    """Return the limit with each grade raised to a floor, and the reason where it was."""
    if limit.evidence == "you" or limit.comfortable == 0:
        return limit
    raised = replace(
        limit,
        least=max(limit.least, floor[0]),
        advised=max(limit.advised, floor[1]),
        comfortable=max(limit.comfortable, floor[2]),
    )
    return limit if raised == limit else _explained(raised, why)


def _explained(limit: Limit, why: str) -> Limit:
    return replace(limit, basis=f"{limit.basis}; {why}" if limit.basis else why)


@cache
def _printers() -> dict[str, Any]:
    text = resources.files("tracer").joinpath("data", "printers.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
