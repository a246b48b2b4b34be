"""The values of a planned piece.

Millimetres; the middle of the blank is (0, 0), y up. z is 0 on the flat back and grows towards
the front. Everything is at finished size unless it says master.
"""

from dataclasses import dataclass
from enum import StrEnum

from tracer.curves.path import Drawing


class Rule(StrEnum):
    """What kind of rule a figure or a warning rests on."""

    STANDARD = "standard"
    HANDBOOK = "handbook"
    PHYSICS = "physics"
    GEOMETRY = "geometry"
    SHOP_RULE = "shop rule"
    JUDGEMENT = "judgement"


@dataclass(frozen=True, slots=True)
class Note:
    """Something to know about the plan: what, where, what to do, and what it rests on."""

    code: str  # stable word for programs, such as hole-clash
    text: str  # one sentence for people
    rule: Rule
    is_open: bool = False  # the plan should not be used before this is settled
    at: tuple[float, float] | None = None
    basis: str = ""  # the standard, book, formula or trade use behind it


@dataclass(frozen=True, slots=True)
class Level:
    """A part of the design that stands up from the body or is cut into it.

    The drawing is not clipped: where it runs over the rim of the blank, so does the cut.
    """

    name: str  # raised | sunk | rim
    drawing: Drawing
    height_mm: float  # above the face of the body; negative: below


@dataclass(frozen=True, slots=True)
class Hole:
    """A round hole through the piece; the diameter is its narrowest, at the back."""

    at: tuple[float, float]
    diameter_mm: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A solid with a flat back: its outline, its levels and how its edges are made.

    Parameters
    ----------
    outline
        At the back, where the piece is widest.
    body_mm
        Thickness of the body, back to face.
    edge_radius_mm
        Rounding of the top edge along the outline; 0: sharp.
    draft_deg
        Lean of every wall against the vertical, so that each section lies within the one below.
    fillet_mm
        Inside rounding at the foot of raised and at the floor of sunk levels.
    """

    outline: Drawing
    body_mm: float
    levels: tuple[Level, ...] = ()
    hole: Hole | None = None
    edge_radius_mm: float = 0.0
    draft_deg: float = 0.0
    fillet_mm: float = 0.0

    @property
    def top_mm(self) -> float:
        """Height of the highest face above the back."""
        return self.body_mm + max((max(level.height_mm, 0.0) for level in self.levels), default=0.0)

    @property
    def floor_mm(self) -> float:
        """Height of the lowest sunk floor above the back; the body's face if none is sunk."""
        return self.body_mm + min((min(level.height_mm, 0.0) for level in self.levels), default=0.0)
