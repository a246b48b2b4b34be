"""The finished plan: everything that is known of a piece, for the writers."""

from dataclasses import dataclass

from tracer.model import Finding, Region
from tracer.piece.allowance import Allowance
from tracer.piece.balance import Mass
from tracer.piece.edges import EdgeRule
from tracer.piece.materials import Filling, Metal
from tracer.piece.mesh import Mesh
from tracer.piece.pour import Pour
from tracer.piece.values import Level, Note, Piece
from tracer.piece.wish import PieceWish
from tracer.process import Process


@dataclass(frozen=True, slots=True)
class Amounts:
    """How much of everything, for one piece unless it says all."""

    mass_g: float
    density: float
    density_by: str
    melt_g: float  # metal to melt for all pieces
    rubber_mm3: float  # without spare
    rubber_ml: float  # with spare, both parts
    print_ml: float  # resin or filament for one master, with spare
    print_g: float
    freeze_s: float
    freeze_constant: float
    cooled_mm2: float
    cost: float | None


@dataclass(frozen=True, slots=True)
class HolePlan:
    """The hole as placed."""

    at: tuple[float, float]
    diameter_mm: float
    wall_mm: float
    label: str
    placed_by: str  # us | you
    ring_inside_mm: float  # least inside diameter of a ring that clears the rim
    has_ear: bool
    level_at: tuple[float, float]  # where it would hang without tilt


@dataclass(frozen=True, slots=True, eq=False)
class DesignPlan:
    """A design as it lies on the piece."""

    artwork: str
    level: Level  # clipped to the piece, for drawings
    width_mm: float
    at: tuple[float, float]
    turn_deg: float
    clipped_mm2: float
    findings: tuple[tuple[Finding, tuple[float, float]], ...]  # with the place on the piece


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """A planned piece. Geometry at finished size; `master` at master size."""

    wish: PieceWish
    piece: Piece
    outline: Region
    designs: tuple[DesignPlan, ...]
    rim: Level | None  # its inner edge, for drawings
    hole: HolePlan | None
    mass: Mass
    tilt_deg: float | None
    edge_rules: tuple[EdgeRule, ...]
    edge_limit_mm: float
    fillet_limit_mm: float
    allowance: Allowance
    metal: Metal
    filling: Filling
    process: Process
    amounts: Amounts
    pour: Pour
    layers: list[tuple[float, Region]]  # sections at finished size, nested
    stocked: Piece  # with finishing stock, before scaling
    mesh: Mesh  # at master size
    master_mm3: float  # exact volume at master size
    notes: tuple[Note, ...]

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Width, height and thickness of the finished piece."""
        left, bottom, right, top = self.piece.outline.bounds
        return right - left, top - bottom, self.piece.top_mm

    @property
    def is_open(self) -> bool:
        """Whether something must be settled before the plan is used."""
        return any(note.is_open for note in self.notes) or any(
            finding.status == "open" for design in self.designs for finding, _ in design.findings
        )
