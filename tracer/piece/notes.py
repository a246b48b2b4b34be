"""What the caster must know of a plan: warnings, each with what it rests on."""

import math
from collections.abc import Iterator

from tracer.piece.hole import WALL_ADVISED_MM, WALL_LEAST_MM
from tracer.piece.materials import Filling, Metal
from tracer.piece.plan import Amounts, DesignPlan, HolePlan
from tracer.piece.values import Note, Piece, Rule
from tracer.process import Process
from tracer.units import shown_length

TILT_WARN_DEG = 3.0
JUMP_WARN, JUMP_MOST = 2.0, 3.0
WARP_RATIO = 25.0
LAYER_SHARE = 0.01
"""Of a height, by which whole layers may miss it: contraction is known no better. A judgement."""
SMALL_PART_MM = 31.7
"""16 CFR 1501.4: a cylinder of 1.25 in diameter."""
_SLACK_MM = 0.02
"""Within what a computed outline is fitted."""

DCTG8 = ((10, 1.0), (16, 1.1), (25, 1.2), (40, 1.3), (63, 1.4), (100, 1.6), (160, 1.8))
"""Total tolerance in mm up to a size, ISO 8062-3:2007 table 2, grade DCTG 8 (seen reproduced)."""


def casting_tolerance_mm(size_mm: float) -> float:
    """Return half the tolerance band of ISO 8062-3 grade DCTG 8.

    >>> casting_tolerance_mm(50)
    0.7
    """
    return next((band for top, band in DCTG8 if size_mm <= top), DCTG8[-1][1]) / 2


def piece_notes(piece: Piece, size: tuple[float, float, float], process: Process) -> Iterator[Note]:
    """Yield what the form of a piece asks for."""
    limits = process.limits
    plate = limits.get("plate_thickness")
    floor = piece.floor_mm
    if plate and floor < plate.advised:
        where = "under the sunk design" if floor < piece.body_mm else "of the body"
        yield Note(
            "thin-plate",
            f"the metal {where} is {shown_length(floor)} thick,"
            f" advised {shown_length(plate.advised)}",
            Rule.JUDGEMENT if plate.evidence == "J" else Rule.SHOP_RULE,
            is_open=floor < plate.least,
            basis=plate.basis,
        )
    relief = limits.get("relief_height")
    for level in piece.levels:
        if relief and abs(level.height_mm) < relief.least:
            yield Note(
                "low-relief",
                f"the {level.name} design is {shown_length(abs(level.height_mm))} high;"
                f" it shows from about {shown_length(relief.least)}",
                Rule.JUDGEMENT,
                basis=relief.basis,
            )
    jump = piece.top_mm / floor if floor > 0 else math.inf
    if jump > JUMP_WARN:
        yield Note(
            "thickness-jump",
            f"the thickest metal is {jump:.1f} times the thinnest: it may sink or tear where"
            " they meet; core out the back, or cut less deep",
            Rule.SHOP_RULE,
            is_open=jump > JUMP_MOST,
            basis="common practice, no source: warn above 2 to 1, not to be cast above 3 to 1",
        )
    wide = max(size[0], size[1])
    if wide / piece.body_mm > WARP_RATIO:
        yield Note(
            "warp",
            f"{wide / piece.body_mm:.0f} times as wide as thick: it may warp; cool slowly, thicken",
            Rule.JUDGEMENT,
        )
    if wide <= SMALL_PART_MM:
        yield Note(
            "small-part",
            f"at {shown_length(wide)} it is a small part: not for children under three",
            Rule.STANDARD,
            basis="US 16 CFR 1501.4: fits a cylinder of 1.25 in (31.7 mm)",
        )
    half = casting_tolerance_mm(wide)
    yield Note(
        "tolerance",
        f"expect {shown_length(wide)} to come out within ± {shown_length(half)}",
        Rule.JUDGEMENT,
        basis="ISO 8062-3 grade DCTG 8, taken for hand-poured rubber; the standard lists no rubber",
    )


def draft_notes(piece: Piece, least_gap_mm: float | None) -> Iterator[Note]:
    """Yield a warning where draft closes the narrowest gap at its foot."""
    heights = [abs(level.height_mm) for level in piece.levels]
    if not heights or least_gap_mm is None or piece.draft_deg == 0:
        return
    closes = 2 * max(heights) * math.tan(math.radians(piece.draft_deg))
    if closes >= least_gap_mm:
        yield Note(
            "draft-closes",
            f"{piece.draft_deg:g}° of draft closes gaps below {shown_length(closes)} at their foot;"
            f" the narrowest is {shown_length(least_gap_mm)}",
            Rule.GEOMETRY,
            basis="2 h tan(draft)",
        )


def hole_notes(
    hole: HolePlan, piece: Piece, least_opening_mm: float, *, for_cord: bool
) -> Iterator[Note]:
    """Yield what the hole asks for; a cord needs no ring."""
    if hole.wall_mm < WALL_ADVISED_MM - _SLACK_MM:
        yield Note(
            "hole-wall",
            f"{shown_length(max(hole.wall_mm, 0))} of metal between hole and edge, advised"
            f" {shown_length(WALL_ADVISED_MM)}",
            Rule.JUDGEMENT,
            is_open=hole.wall_mm < WALL_LEAST_MM - _SLACK_MM,
            at=hole.at,
            basis="wall of a cast pewter bail",
        )
    if hole.diameter_mm < least_opening_mm:
        yield Note(
            "hole-drill",
            f"a hole of {shown_length(hole.diameter_mm)} does not cast: cast a dimple and drill",
            Rule.SHOP_RULE,
            at=hole.at,
            basis=f"openings through the piece cast from about {shown_length(least_opening_mm)}",
        )
    if hole.has_ear:
        yield Note(
            "ear",
            "no room for the hole on the piece: an ear was added on top",
            Rule.GEOMETRY,
            at=hole.at,
            basis="sheet-metal rule: hole to edge at least the thickness, else add an ear",
        )
    if for_cord:
        return
    yield Note(
        "ring",
        f"a ring must measure at least {shown_length(math.ceil(hole.ring_inside_mm * 10) / 10)}"
        " inside to move round the rim",
        Rule.GEOMETRY,
        at=hole.at,
        basis=f"diagonal of wall {hole.wall_mm:.2f} and thickness {piece.body_mm:g} mm, + 0.5 mm",
    )


def tilt_note(tilt: float, hole: HolePlan) -> Iterator[Note]:
    """Yield a warning for a piece that hangs crooked."""
    if tilt > TILT_WARN_DEG:
        x, y = (round(c, 2) + 0.0 for c in hole.level_at)  # no -0.00
        yield Note(
            "tilt",
            f"it hangs {tilt:.1f}° askew; upright with --hole-at {x:.2f},{y:.2f}",
            Rule.PHYSICS,
            at=hole.at,
            basis="the centroid hangs plumb below the hole; warned above 3°, a judgement",
        )


def pour_notes(
    piece: Piece, metal: Metal, filling: Filling, amounts: Amounts, bead_mm: float
) -> Iterator[Note]:
    """Yield what the pour asks for."""
    if filling.open_back and piece.body_mm < bead_mm:
        yield Note(
            "beads",
            f"an open pour thinner than about {bead_mm:.1f} mm beads and rounds at the back:"
            " overfill and sand, or press a warm plate on",
            Rule.PHYSICS,
            basis="puddle height 2 sqrt(gamma/(rho g)) sin(theta/2) at 140° (de Gennes et al.,"
            " from memory)",
        )
    if metal.composition.get("Bi", 0) > 50:
        yield Note(
            "expands", "more than half bismuth: it expands on freezing", Rule.HANDBOOK,
            basis=metal.contraction_basis,
        )  # fmt: skip
    if amounts.freeze_s > 120:
        yield Note(
            "slow",
            f"freezes in about {amounts.freeze_s:.0f} s: do not move the mould before",
            Rule.PHYSICS,
            basis="Chvorinov; order of magnitude only",
        )


def layer_notes(piece: Piece, layer_mm: float, scale: float) -> Iterator[Note]:
    """Yield a note for each height that is no multiple of the print layer at master size."""
    for level in piece.levels:
        high = abs(level.height_mm) * scale
        steps = high / layer_mm
        whole = max(round(steps), 1)
        if abs(steps - whole) > LAYER_SHARE * steps:
            yield Note(
                "layers",
                f"{shown_length(abs(level.height_mm))} of relief is {high:.3f} mm on the master,"
                f" {steps:.1f} layers of {shown_length(layer_mm)}: {whole} layers give"
                f" {whole * layer_mm / scale:.3f} mm; ask for that, or change --layer",
                Rule.GEOMETRY,
                basis="printed heights are multiples of the layer; told from 1 % of the height",
            )


def design_notes(design: DesignPlan, clash_mm: float, hole: HolePlan | None) -> Iterator[Note]:
    """Yield what the place of a design asks for."""
    if clash_mm > 0 and hole is not None:
        yield Note(
            "hole-clash",
            f"the hole cuts {shown_length(clash_mm)} into the {design.level.name} design: move"
            " either (--hole-at, --art-at) or make the artwork smaller",
            Rule.GEOMETRY,
            is_open=True,
            at=hole.at,
        )
    if design.clipped_mm2 > 0.01:
        yield Note(
            "clipped",
            f"{design.clipped_mm2:.1f} mm² of the {design.level.name} design run over the rim and"
            " are cut off there",
            Rule.GEOMETRY,
        )
