"""The work on one artwork as it travels: what is sent to a worker, and what comes back.

An answer holds nothing but built-in values, so that reading it can run no code.
"""

import base64
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Protocol, TypedDict

from tracer.errors import Status, TracerError
from tracer.piece.wish import PieceWish
from tracer.settings import Settings, Size, SizeBy

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from tracer.model import Artwork

THUMBNAIL_PX = 300
"""Longest side of a thumbnail: 45 mm on paper at 170 dpi, a few kilobytes."""


class Ask(StrEnum):
    """What is wanted of an artwork."""

    WORK = "work"
    EXTENT = "extent"
    """Width and height of the ink in pixels, nothing else."""


@dataclass(frozen=True, slots=True)
class Box:
    """The room that a finished outline has to fit in."""

    width_mm: float
    height_mm: float

    def filled_by(self, extent: tuple[float, float], pitch_mm: float) -> float:
        """Return how far something of that extent in pixels fills the box; above 1: too large."""
        width, height = (side * pitch_mm for side in extent)
        return max(width / self.width_mm, height / self.height_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One artwork to work; its content travels along, so a worker needs no shared disk."""

    data: bytes
    name: str
    settings: Settings
    ask: Ask = Ask.WORK
    box: Box | None = None  # overrules the size of the settings
    process_text: str = ""  # of a process file, known under the name that the settings give
    piece: PieceWish | None = None


class Failure(TypedDict):
    """Why there is no result: the fields of a `TracerError`, and its exit status."""

    code: str
    message: str
    hint: str
    status: int


class Answer(TypedDict, total=False):
    """What comes back; either `failure` or the rest."""

    failure: Failure
    texts: dict[str, str | bytes]
    reports: list[dict[str, object]]
    picture: str
    piece: dict[str, Any]
    status: int
    extent: tuple[float, float]


class Pool(Protocol):
    """Runs tasks somewhere and yields their answers as they come."""

    def run(self, tasks: Iterator[tuple[int, Task]]) -> Iterator[tuple[int, Answer]]:
        """Yield the number of each task with its answer."""


def failed(code: str, message: str, hint: str = "", status: int = Status.ARTWORK_FAILED) -> Answer:
    """Return the answer for a task that came to nothing."""
    return {"failure": {"code": code, "message": message, "hint": hint, "status": int(status)}}


def failure_of(error: TracerError) -> Answer:
    """Return an error as an answer."""
    return failed(error.code, error.message, error.hint, error.status)


def prepare() -> None:
    """Import now what every artwork needs, so that no artwork's time limit pays for it."""
    import cv2

    import tracer.job
    import tracer.pipeline
    import tracer.write.page
    import tracer.write.report  # noqa: F401 - to be there when the first artwork comes

    cv2.setNumThreads(1)


def run_task(task: Task) -> Answer:
    """Work one artwork in this process.

    Raises
    ------
    TracerError
        If the artwork cannot be read or worked.
    """
    from tracer.process import carry_process

    if task.process_text:
        carry_process(task.settings.process, task.process_text)
    if task.ask is Ask.EXTENT:
        return {"extent": ink_extent(task)}
    from tracer.job import work

    settings = task.settings
    if task.box is not None:
        settings = replace(settings, size=size_in_box(ink_extent(task), task.box))
    outputs = work(task.data, task.name, settings)
    done: Answer = {
        "texts": dict(outputs.texts),
        "reports": [dict(report) for report in outputs.reports],
        "picture": small_picture(outputs.artwork, _page_on_artwork(task, outputs.reports)),
        "status": int(outputs.status),
    }
    if task.piece is not None:
        texts, done["piece"] = _planned(task.piece, task.data)
        done["texts"] |= texts
    return done


def _planned(wish: PieceWish, data: bytes) -> tuple[dict[str, str | bytes], dict[str, Any]]:
    """Return the files of a plan by suffix, and what the index shows of it."""
    from tracer.piece.files import plan_files
    from tracer.planning import make_plan

    plan = make_plan(wish, {design.artwork: data for design in wish.designs})
    contents, record = plan_files(plan)
    texts = {name.removeprefix(wish.name): content for name, content in contents.items()}
    return texts, {"mass_g": record["mass_g"], "price": record["cost"], "open": plan.is_open}


def small_picture(artwork: "Artwork", crop: tuple[float, float, float, float] | None = None) -> str:
    """Return the artwork as the client sent it, small, as the data address of a WebP.

    `crop` is what to show of it: left, top, right, bottom in pixels; it may reach beyond.
    """
    import io

    import numpy as np
    from PIL import Image

    colour, alpha = artwork.colour, artwork.alpha
    if crop is not None:
        left, top, right, bottom = crop
        ends = min(artwork.columns, round(right)), min(artwork.rows, round(bottom))
        whole = max(0, round(left)), max(0, round(top)), *ends
        if whole[0] < whole[2] and whole[1] < whole[3]:
            part = np.s_[whole[1] : whole[3], whole[0] : whole[2]]
            colour, alpha = colour[part], None if alpha is None else alpha[part]
    image = Image.fromarray(np.ascontiguousarray(_eight_bits(colour))).convert("RGB")
    if alpha is not None:
        ground = Image.new("RGB", image.size, "white")
        ground.paste(image, mask=Image.fromarray(np.ascontiguousarray(_eight_bits(alpha))))
        image = ground
    # a box filter would double rows at a ratio near one, and edges would show stairs
    image.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX), Image.Resampling.BICUBIC, reducing_gap=2.0)
    out = io.BytesIO()
    image.save(out, "WEBP", quality=70, method=2)
    return "data:image/webp;base64," + base64.b64encode(out.getvalue()).decode()


def _page_on_artwork(
    task: Task, reports: Sequence[Mapping[str, Any]]
) -> tuple[float, float, float, float] | None:
    """Return where the page of the outline lies on the artwork, in pixels; None: show it all."""
    if len(reports) != 1 or task.settings.ink.straighten:
        return None
    report = reports[0]
    pitch = report["pitch_mm"]
    left, top = report["page_origin_on_artwork_mm"]
    right, bottom = left + report["drawing"]["width_mm"], top + report["drawing"]["height_mm"]
    return left / pitch, top / pitch, right / pitch, bottom / pitch


def _eight_bits(values: "NDArray[np.uint8] | NDArray[np.uint16]") -> "NDArray[np.uint8]":
    import numpy as np

    return values.astype(np.uint8) if values.dtype == np.uint8 else (values // 257).astype(np.uint8)


def size_in_box(extent: tuple[float, float], box: Box) -> Size:
    """Return the largest size of something of that extent that fits in a box.

    >>> size_in_box((200, 100), Box(40, 40)), size_in_box((10, 100), Box(40, 30))
    (Size(by=<SizeBy.WIDTH: 'width'>, mm=40), Size(by=<SizeBy.HEIGHT: 'height'>, mm=30))
    """
    width, height = extent
    if width * box.height_mm >= height * box.width_mm:
        return Size(SizeBy.WIDTH, box.width_mm)
    return Size(SizeBy.HEIGHT, box.height_mm)


def ink_extent(task: Task) -> tuple[float, float]:
    """Return width and height of the ink in pixels, between its outermost half-covered places."""
    import numpy as np

    from tracer.contour.enlarged import reduced
    from tracer.errors import InputError
    from tracer.raster.ink import find_ink
    from tracer.raster.read import read_artwork

    artwork = read_artwork(task.data, task.name, task.settings.ink)
    spans: list[tuple[float, float]] = []
    for coverage in find_ink(artwork, task.settings.ink):
        sides = []
        seen, wide = reduced(coverage)
        for axis in (0, 1):
            profile = np.pad(seen.values.max(axis=axis).astype(float), 1)
            inside = np.flatnonzero(profile >= 0.5)
            if not inside.size:
                break
            # the level 1/2 lies between the outermost pixel inside and its neighbour outside
            first, last = int(inside[0]), int(inside[-1])
            low = first - (profile[first] - 0.5) / (profile[first] - profile[first - 1])
            high = last + (profile[last] - 0.5) / (profile[last] - profile[last + 1])
            sides.append(float(high - low) * wide)
        if len(sides) == 2:
            spans.append((sides[0], sides[1]))
    if not spans:
        raise InputError("nothing to trace", hint="is this the right file?", code="E_BLANK")
    return max(width for width, _ in spans), max(height for _, height in spans)
