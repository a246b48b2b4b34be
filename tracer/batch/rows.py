"""What is known about each artwork of a set: one row, and the record that lets a run resume."""

import hashlib
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from tracer import __version__
from tracer.batch.plan import Entry
from tracer.batch.task import Failure
from tracer.errors import Status
from tracer.model import Verdict
from tracer.settings import Settings

LARGEST_REPORT = 200_000_000


class State(StrEnum):
    """How far an artwork has come."""

    DONE = "done"
    FAILED = "failed"
    WAITING = "waiting"
    """The run ended before its turn."""


@dataclass(frozen=True, slots=True)
class Row:
    """One artwork of the set, without its pictures: a few hundred bytes."""

    number: int
    shown: str
    stem: str
    state: State
    notes: str = ""
    verdict: str = ""
    status: int = 0
    kinds: tuple[tuple[str, int], ...] = ()  # findings by kind
    fixed: int = 0
    open: int = 0
    kept: int = 0
    width_mm: float | None = None
    height_mm: float | None = None
    smallest_safe_width_mm: float | None = None  # None: no size helps, or not known
    pieces: int = 0
    openings: int = 0
    files: tuple[str, ...] = ()  # from the output folder
    mass_g: float | None = None  # of the planned piece
    price: float | None = None
    same_as: str = ""
    code: str = ""
    message: str = ""
    hint: str = ""


def key_of(data: bytes, entry: Entry, settings: Settings) -> str:
    """Return what tells equal work: the content, every setting, and the version of the tool."""
    box = None if entry.box is None else [entry.box.width_mm, entry.box.height_mm]
    plain = json.dumps(
        # two pieces are never copies of each other: their files carry their names
        [__version__, settings.as_dict(), box, entry.process_text]
        + ([] if entry.piece is None else [repr(entry.piece)]),
        sort_keys=True,
        ensure_ascii=True,
    )
    return hashlib.sha256(hashlib.sha256(data).digest() + plain.encode()).hexdigest()


def waiting_row(entry: Entry) -> Row:
    """Return the row of an artwork that nothing is known about yet."""
    return Row(entry.number, entry.shown, entry.stem, State.WAITING, entry.notes)


def failed_row(entry: Entry, failure: Failure, *, same_as: str = "") -> Row:
    """Return the row of an artwork that came to nothing."""
    return Row(
        entry.number,
        entry.shown,
        entry.stem,
        State.FAILED,
        entry.notes,
        status=failure["status"],
        code=failure["code"],
        message=failure["message"],
        hint=failure["hint"],
        same_as=same_as,
    )


def done_row(entry: Entry, reports: Sequence[Mapping[str, Any]], files: Sequence[str]) -> Row:
    """Return the row of a worked artwork; several outlines of one artwork are taken together."""
    drawings = [report["drawing"] for report in reports]
    findings = [finding for report in reports for finding in report["findings"]]
    states = Counter(finding["status"] for finding in findings)
    verdicts = [str(report["verdict"]) for report in reports]
    safe = [report["smallest_safe_width_mm"] for report in reports]
    below = any(report["verified"]["places"] for report in reports)
    piece = reports[0]["record"].get("piece", {})
    is_open = states["open"] or below or piece.get("open", False)
    return Row(
        entry.number,
        entry.shown,
        entry.stem,
        State.DONE,
        entry.notes,
        verdict=max(verdicts, key=[*Verdict].index),
        status=int(Status.PLACES_OPEN if is_open else Status.DONE),
        kinds=tuple(sorted(Counter(finding["kind"] for finding in findings).items())),
        fixed=states["fixed"],
        open=states["open"],
        kept=states["kept"],
        width_mm=max(drawing["width_mm"] for drawing in drawings),
        height_mm=max(drawing["height_mm"] for drawing in drawings),
        smallest_safe_width_mm=None if None in safe else max(safe),
        pieces=sum(drawing["pieces"] for drawing in drawings),
        openings=sum(drawing["openings"] for drawing in drawings),
        files=tuple(files),
        mass_g=piece.get("mass_g"),
        price=piece.get("price"),
        same_as=reports[0]["record"].get("same_as", ""),
    )


def load_reports(out: Path, stem: str) -> list[dict[str, Any]]:
    """Return the reports of an artwork as an earlier run wrote them; empty if there are none.

    The first one, which carries the record, is written last: where it is, all is whole.
    """
    for first, several in ((".json", False), ("-1.json", True)):
        report = _load(out / (stem + first))
        if report is None or "record" not in report:
            continue
        reports = [report]
        if several:
            names = sorted(
                (name for name in report["record"]["files"] if name.endswith(".json")),
                key=lambda name: (len(name), name),
            )
            reports = [found for name in names if (found := _load(out / name)) is not None]
            if len(reports) != len(names):
                return []
        return reports
    return []


def is_done(out: Path, entry: Entry, key: str, reports: Sequence[Mapping[str, Any]]) -> bool:
    """Tell whether an earlier run did exactly this work and its files are all there."""
    if not reports:
        return False
    record = reports[0]["record"]
    return (
        record["key"] == key
        and record["source"] == entry.shown
        and all((out / name).is_file() for name in record["files"])
    )


def _load(path: Path) -> dict[str, Any] | None:
    try:
        if path.stat().st_size > LARGEST_REPORT:
            return None
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
