"""Every choice of the user, as frozen values with their defaults.

Stages take the part they need. The whole compares, hashes and turns into plain data, so that a
run can be repeated and a finished artwork recognised.
"""

import dataclasses
from dataclasses import dataclass, field
from enum import StrEnum

from tracer.bounds import COMPONENTS, PIXELS


class Role(StrEnum):
    """How the ink is used."""

    SILHOUETTE = "silhouette"
    """Ink is the whole piece; the rest is mould."""
    RAISED = "raised"
    """Ink stands up from a body."""
    SUNK = "sunk"
    """Ink is cut into a body: ink is mould, the land between is metal."""


class Grade(StrEnum):
    """To which grade of limit an outline is brought."""

    LEAST = "least"
    ADVISED = "advised"
    COMFORTABLE = "comfortable"


class SizeBy(StrEnum):
    """What the given size is the size of."""

    WIDTH = "width"
    HEIGHT = "height"
    PITCH = "pitch"
    """One pixel of the artwork."""


@dataclass(frozen=True, slots=True)
class Size:
    """The finished size in mm."""

    by: SizeBy
    mm: float


@dataclass(frozen=True, slots=True)
class Repairs:
    """What is done about each kind of finding."""

    thin: str = "thicken"  # thicken | remove: hairlines and spurs; necks are always thickened
    gaps: str = "auto"  # auto (widen if the metal can give, else fill) | widen | fill
    islands: str = "remove"  # remove | enlarge | bridge
    openings: str = "fill"  # fill | enlarge
    tips: str = "blunt"  # blunt | leave


@dataclass(frozen=True, slots=True)
class Overrules:
    """Limits of the user's own in mm; None takes that of the process."""

    metal_mm: float | None = None
    gap_mm: float | None = None
    island_mm: float | None = None
    opening_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Keep:
    """A place to leave as drawn: within `radius_mm` of a point on the page."""

    x_mm: float
    y_mm: float
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Relief:
    """Height and finish of the relief; None where the user did not say."""

    height_mm: float | None = None
    draft_deg: float | None = None
    finish_mm: float = 0.0  # stock lost per side in sanding and polishing
    printer: str | None = None  # fdm | resin


AS_IS = ("camera", "frame", "light", "noise", "pixels", "profile", "shadow", "specks", "turn")
"""What the reading of artwork puts right by itself, and can be told to leave as it is."""


@dataclass(frozen=True, slots=True)
class InkOptions:
    """How the ink is told from the ground."""

    ink: str = "auto"  # auto | alpha | dark | light | colours such as "navy" or "#c00,#222"
    threshold: float | None = None  # level of coverage taken as the edge, 0..1; None: decided
    levels: int = 0  # each colour a level of its own, at most six; 0: one region
    straighten: bool = False
    split: bool = False  # several designs on one sheet: one outline each
    page: int = 1  # of a file with several
    max_pixels: int = PIXELS.value
    max_pieces: int = COMPONENTS.value
    as_is: tuple[str, ...] = ()  # words of AS_IS


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one artwork."""

    size: Size
    process: str = "pewter-silicone"  # name, or path of a TOML file
    role: Role = Role.SILHOUETTE
    grade: Grade = Grade.ADVISED
    overrules: Overrules = field(default_factory=Overrules)
    repairs: Repairs = field(default_factory=Repairs)
    keep: tuple[Keep, ...] = ()
    keep_findings: tuple[int, ...] = ()
    relief: Relief = field(default_factory=Relief)
    ink: InkOptions = field(default_factory=InkOptions)
    alloy: str = ""  # overrules the alloy of the process
    tolerance_mm: float | None = None  # None: from the artwork's own edge noise
    regular: bool = True  # make what is nearly regular exact
    unit: str = "px"  # user unit of the SVG: px (1/96 in) | pt (1/72 in) | mm
    dxf: bool = False

    def as_dict(self) -> dict[str, object]:
        """Return plain data for the report and for hashing."""
        return dataclasses.asdict(self)
