"""The values that travel between stages.

    bytes -> Artwork -> Coverage -> rings -> Region -> mended Region + Findings -> Drawing

Pixels: x to the right, y down, the top-left corner of the artwork is (0, 0) and the centre of its
first pixel (0.5, 0.5). Millimetres: y up, the bottom-left corner of the artwork is (0, 0), so the
point (x, y) px lies at ``pitch * (x, rows - y)`` mm. `Frame` is the one place that turns one into
the other.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from tracer.curves import regions
from tracer.curves.path import Drawing
from tracer.process import Limits, Process
from tracer.settings import Settings

Points = NDArray[np.float64]
"""(N, 2), x and y."""

Region = regions.Region
"""Valid, in mm, y up: pieces that do not overlap, with their openings as holes."""


@dataclass(frozen=True, slots=True)
class Decision:
    """One thing that was decided about the artwork, and the option that overrules it."""

    topic: str  # stable word for programs, such as "ink", "polarity", "threshold", "frames"
    text: str  # one sentence for people
    option: str = ""  # such as "--ink"
    warning: bool = False
    code: str = ""  # stable code of a warning, such as W_FRAMES


@dataclass(frozen=True, slots=True, eq=False)
class Artwork:
    """A decoded image: what the client sent, before anything is taken as ink."""

    name: str
    colour: NDArray[np.uint8] | NDArray[np.uint16]  # (H, W) grey or (H, W, 3), sRGB
    alpha: NDArray[np.uint8] | NDArray[np.uint16] | None  # (H, W), straight; None: opaque
    density_per_mm: float | None  # pixels per mm stored in the file, None: none that makes sense
    file_format: str  # PNG, JPEG, ...
    sha256: str
    decisions: tuple[Decision, ...] = ()

    @property
    def rows(self) -> int:
        """Height in pixels."""
        return int(self.colour.shape[0])

    @property
    def columns(self) -> int:
        """Width in pixels."""
        return int(self.colour.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class Coverage:
    """For each pixel the fraction of it that is ink, (H, W) float32 within [0, 1], read-only."""

    values: NDArray[np.float32]
    decisions: tuple[Decision, ...] = ()
    level: int = 0  # which level of a design in several colours
    specks: int = 0  # specks too small to be meant that were dropped without a finding
    pixel_size: float = 1.0  # true pixels of an enlarged small bitmap are this many pixels wide
    by_colour: bool = False  # read from colours, which may differ by little


class Edge(StrEnum):
    """What kind of edge an artwork has."""

    SHARP = "anti-aliased"
    SOFT = "soft"
    STAIRS = "1-bit staircase"
    RINGING = "compression ringing"


@dataclass(frozen=True, slots=True)
class EdgeNoise:
    """How well the edge of an artwork is known."""

    kind: Edge
    sigma_px: float  # spread of the edge about its true place
    blur_px: float  # standard deviation of the blur of the edge, beyond the pixel's own box
    tolerance_px: float  # fit tolerance that follows


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the artwork lies in millimetres."""

    pitch_mm: float
    rows: int

    def to_mm(self, points: Points) -> Points:
        """Turn pixel points (N, 2) into mm, y up."""
        return np.column_stack(
            [points[:, 0] * self.pitch_mm, (self.rows - points[:, 1]) * self.pitch_mm]
        )

    def to_px(self, points: Points) -> Points:
        """Turn mm points (N, 2), y up, into pixels."""
        return np.column_stack(
            [points[:, 0] / self.pitch_mm, self.rows - points[:, 1] / self.pitch_mm]
        )


class Kind(StrEnum):
    """Kinds of finding, the words of the report."""

    NECK = "neck"
    HAIRLINE = "hairline"
    SPUR = "spur"
    NARROW_GAP = "narrow-gap"
    SMALL_ISLAND = "small-island"
    SMALL_OPENING = "small-opening"
    SHARP_TIP = "sharp-tip"
    LOOSE_PIECE = "loose-piece"


class Verdict(StrEnum):
    """Of a place or of a whole artwork, as drawn."""

    SOUND = "sound"
    AT_RISK = "at risk"
    WILL_NOT_CAST = "will not cast"


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One place where the artwork breaks a limit."""

    number: int  # from 1, in reading order
    kind: Kind
    at: tuple[float, float]  # mm, y up, in the frame of the region
    width_mm: float  # measured; 0 where it runs out to nothing
    limit_mm: float  # of the grade asked for
    least_mm: float  # below it the place will not cast
    area_mm2: float  # of the place as drawn
    action: str  # what was done, in words: "thickened to 0.8 mm", "left open: ..."
    status: str  # fixed | open | kept (left alone by the user)
    sound_from_factor: float  # the piece must be this many times as large for the place to be sound
    place: Region  # the part of the plane that the finding is about, as drawn
    changed: Region  # what was added to or taken from the metal for it
    lost_mm: float = 0.0  # length by which a tip comes out shorter
    detail: str = ""  # one more sentence for people


@dataclass(frozen=True, slots=True)
class SizePoint:
    """What is lost when the piece is made at one size."""

    width_mm: float
    places: int  # findings at that size
    share_changed: float  # area of metal that repair would add or take, over the area drawn
    verdict: Verdict


@dataclass(frozen=True, slots=True, eq=False)
class Mended:
    """A region brought to its limits, and every place that needed it."""

    region: Region  # of ink, as the input was
    findings: tuple[Finding, ...]
    verdict: Verdict  # of the region as drawn
    smallest_safe_factor: float  # times the present size; inf where no size helps


@dataclass(frozen=True, slots=True)
class Fitted:
    """The drawing and what was made regular in it."""

    drawing: Drawing
    regularised: tuple[str, ...]  # sentences for the report


@dataclass(frozen=True, slots=True)
class Width:
    """A width measured at a place."""

    mm: float
    at: tuple[float, float]  # mm, y up, middle of the place


@dataclass(frozen=True, slots=True)
class Verified:
    """What was measured on a written drawing."""

    least_metal: Width | None  # None: nowhere do two sides face each other
    least_gap: Width | None
    below: tuple[tuple[str, Width], ...]  # ("metal" | "gap", place) below its limit
    method: str  # one sentence


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Everything that is known about one artwork once it is worked."""

    artwork: Artwork
    coverage: Coverage
    noise: EdgeNoise
    frame: Frame
    settings: Settings
    process: Process
    limits: Limits
    drawn: Region  # the ink as drawn, at the finished size
    mended: Mended
    fitted: Fitted  # same frame as `drawn`
    verified: Verified
    tolerance_mm: float
    sizes: tuple[SizePoint, ...]
    decisions: tuple[Decision, ...]  # all that was decided, in order
    svg: str  # the drawing as it is written

    @property
    def page_mm(self) -> tuple[float, float]:
        """Width and height of the page: those of the drawing, without margin."""
        left, bottom, right, top = self.fitted.drawing.bounds
        return right - left, top - bottom

    @property
    def page_origin_mm(self) -> tuple[float, float]:
        """Top-left corner of the page, from the top-left corner of the artwork, y down."""
        left, _, _, top = self.fitted.drawing.bounds
        return left, self.frame.rows * self.frame.pitch_mm - top

    def on_page(self, at: tuple[float, float]) -> tuple[float, float]:
        """Turn a point in the frame of the region into mm on the page, y down."""
        left, _, _, top = self.fitted.drawing.bounds
        return at[0] - left, top - at[1]
