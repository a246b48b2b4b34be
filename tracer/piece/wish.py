"""What the user asks of a piece, as frozen values."""

from dataclasses import dataclass, field
from pathlib import Path

from tracer.piece.blank import BlankKind
from tracer.piece.hole import HoleWish
from tracer.settings import Settings


@dataclass(frozen=True, slots=True)
class Design:
    """One artwork (or one level of it) on the piece."""

    artwork: Path
    height_mm: float  # above the face; negative: below; 0: it is the silhouette of the piece
    level: int = 0  # of an artwork in several levels
    width_mm: float | None = None
    at: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    keep_in_mm: float | None = None  # None: runs over the rim and is clipped there


@dataclass(frozen=True, slots=True)
class Prices:
    """What goes into the cost of one piece; currency is the user's."""

    per_kg: float | None = None
    hour_rate: float | None = None
    minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class PieceWish:
    """Everything asked of a piece. `settings` carries process, alloy, repairs and ink options."""

    name: str
    blank: BlankKind
    body_mm: float
    designs: tuple[Design, ...]
    settings: Settings
    rim_mm: tuple[float, float] | None = None  # width and height of a raised rim
    hole: HoleWish = field(default_factory=lambda: HoleWish("none"))
    hole_at: tuple[float, float] | None = None
    edge_radius_mm: float | None = None
    fillet_mm: float | None = None
    draft_deg: float | None = None
    finish_mm: float = 0.0
    density: float | None = None
    composition: dict[str, float] | None = None
    contraction: float | None = None  # fraction
    rubber_shrinkage: float = 0.0  # fraction
    mould_c: float = 20.0
    measured_mm: float | None = None
    wanted_mm: float | None = None
    master_was: float = 1.0
    layer_mm: float = 0.1
    pieces: int = 1
    prices: Prices = field(default_factory=Prices)
