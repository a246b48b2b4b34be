"""What is to be done: every artwork with its settings and the name of its outputs.

A plan is made before anything is started, from a folder or a job sheet, and does not change.
"""

import os
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from tracer.batch.sheet import Line, read_sheet
from tracer.batch.task import Box
from tracer.batch.walk import IMAGES, Found, walk
from tracer.errors import TracerError, UsageError
from tracer.names import safe_stem, same_name_key, shown_name
from tracer.piece.wish import PieceWish
from tracer.process import check_metal_and_mould, load_process, process_file_text
from tracer.settings import Settings, SizeBy

SHEETS = (".csv", ".toml")

_OURS = re.compile(r"(index|summary)(-\d+)?")
"""Names in the output folder that belong to the whole set."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the command line asks for, of every artwork."""

    settings: Settings
    sized: bool  # whether the settings hold a size that was asked for
    box: Box | None = None
    same_scale: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """One artwork of a plan."""

    number: int  # from 0, in the order of the plan
    path: Path
    shown: str  # its name for people, escaped
    stem: str  # of its outputs, from the output folder, with /; empty if there will be none
    settings: Settings
    box: Box | None
    process_text: str
    notes: str = ""
    problem: TracerError | None = None
    piece: PieceWish | None = None  # what is asked of the piece around the outline


@dataclass(frozen=True, slots=True)
class Plan:
    """Every artwork of a run, in order."""

    entries: tuple[Entry, ...]
    ignored: int
    same_scale: bool
    inputs: tuple[Path, ...]  # files read besides the artworks; never written


PieceReader = Callable[[Path, str, float | None], PieceWish]
"""Reads a file of options for a piece: path, name of the artwork, its width in mm if given."""


def make_plan(
    source: Path, out: Path, wishes: Wishes, *, read_piece: PieceReader | None = None
) -> Plan:
    """Plan the work on a folder or a job sheet.

    `read_piece` reads the files of options that lines of a job sheet may name as their plan.

    Raises
    ------
    UsageError
        Wrong settings or job sheet, no size, no artwork: nothing is started.
    """
    is_sheet = source.suffix.lower() in SHEETS and not source.is_dir()
    if is_sheet:
        found, asked, pieces = _from_sheet(source, wishes, read_piece)
        ignored = 0
    else:
        walked = walk(source, leave_out=out)
        found, ignored = walked.found, walked.ignored
        asked = [(wishes.settings, wishes.box, "")] * len(found)
        pieces = [None] * len(found)
        if not found:
            kinds = ", ".join(sorted(kind[1:] for kind in IMAGES))
            raise UsageError(
                "no artwork found", hint=f"looked for {kinds}", subject=shown_name(source),
                code="E_NOINPUT",
            )  # fmt: skip
        if not (wishes.sized or wishes.box):
            raise UsageError("no size given", hint=_SIZE_HINT)
    texts = _process_texts(settings for settings, _, _ in asked)
    many = wishes.settings.ink.levels > 0 or wishes.settings.ink.split or any(pieces)
    stems = name_outputs([f.relative if f.problem is None else None for f in found], many=many)
    entries = tuple(
        Entry(
            number=number,
            path=item.path,
            shown=shown_name(item.relative),
            stem=stem,
            settings=settings,
            box=box,
            process_text=texts[settings.process],
            notes=notes,
            problem=item.problem,
            piece=None if piece is None else replace(piece, name=stem.rpartition("/")[2]),
        )
        for number, (item, stem, (settings, box, notes), piece) in enumerate(
            zip(found, stems, asked, pieces, strict=True)
        )
    )
    return Plan(entries, ignored, wishes.same_scale, (source,) if is_sheet else ())


def name_outputs(names: list[str | None], *, many: bool = False) -> list[str]:
    """Return a stem for the outputs of each artwork, no two the same on any file system.

    Parameters
    ----------
    names
        Relative names of the artworks; None for one that has no outputs.
    many
        Whether an artwork may have several outlines or a plan, whose stems end in ``-1``,
        ``-2`` ... or ``-plan``, ``-master``, ``-job``.

    Returns
    -------
    list of str
        The stem of the name, folders kept. Where stems are alike, for any file system, each
        carries its extension; where that does not tell them apart, ``-2``, ``-3`` ... follow.

    Examples
    --------
    >>> name_outputs(["heron.png", "logo.png", "logo.jpg", "a/logo.png", "Logo.gif"])
    ['heron', 'logo-png', 'logo-jpg', 'a/logo', 'Logo-gif']
    """
    split = [None if name is None else _split(name) for name in names]
    plain = ["" if part is None else f"{part[0]}{part[1]}" for part in split]

    def family(stem: str) -> str:
        key = same_name_key(stem)
        return re.sub(r"-(\d+|plan|master|job)$", "", key) if many else key

    counts = Counter(family(stem) for stem in plain if stem)
    stems, taken = [], set()
    for part, stem in zip(split, plain, strict=True):
        if part is None:
            stems.append("")
            continue
        folder, base, kind = part
        ours = not folder and _OURS.fullmatch(same_name_key(stem)) is not None
        if counts[family(stem)] > 1 or ours:
            mark = kind or ("art" if ours else "")
            stem = folder + safe_stem(f"{base}-{mark}" if mark else base)  # noqa: PLW2901 - the stem is made up step by step
        unique, number = stem, 2
        while family(unique) in taken:
            unique, number = f"{stem}-x{number}" if many else f"{stem}-{number}", number + 1
        taken.add(family(unique))
        stems.append(unique)
    return stems


def _split(name: str) -> tuple[str, str, str]:
    """Return folder (safe, ends in /), stem (safe) and extension of a relative name."""
    *folders, last = (part for part in name.split("/") if part not in ("", ".", ".."))
    pure = PurePosixPath(last)
    folder = "".join(f"{safe_stem(part)}/" for part in folders)
    return folder, safe_stem(pure.stem), safe_stem(pure.suffix[1:].lower()) if pure.suffix else ""


_SIZE_HINT = "give --width, --height, --pitch or --fit, or a job sheet with sizes"

_Asked = tuple[Settings, Box | None, str]


def _from_sheet(
    source: Path, wishes: Wishes, read_piece: PieceReader | None
) -> tuple[list[Found], list[_Asked], list[PieceWish | None]]:
    """Return the artworks of a job sheet, what is asked of each, and of the piece around it."""
    lines = read_sheet(source)
    if wishes.same_scale and any(line.size for line in lines):
        raise UsageError(
            "--same-scale and sizes in the job sheet contradict each other",
            hint="leave one of them out",
        )
    folder = source.parent
    found, asked, pieces = [], [], []
    for number, line in enumerate(lines, start=1):
        if line.size is None and not (wishes.sized or wishes.box):
            raise UsageError(
                f"no size for {shown_name(line.file)}",
                hint=_SIZE_HINT,
                subject=f"{shown_name(source)}, artwork {number}",
            )
        path = folder / line.file
        found.append(Found(path, _below(path, folder)))
        asked.append(_asked(line, wishes))
        piece = None
        if line.plan and read_piece is not None:
            settings, _, _ = asked[-1]
            width = settings.size.mm if line.size and line.size.by is SizeBy.WIDTH else None
            piece = read_piece(folder / line.plan, path.name, width)
            process = replace(piece.settings, process=settings.process)  # one for all of a line
            piece = replace(piece, settings=process)
        pieces.append(piece)
    return found, asked, pieces


def _asked(line: Line, wishes: Wishes) -> _Asked:
    settings = wishes.settings
    if line.process:
        settings = replace(settings, process=line.process)
    if line.role is not None:
        settings = replace(settings, role=line.role)
    if line.size is not None:
        return replace(settings, size=line.size), None, line.notes
    return settings, wishes.box, line.notes


def _below(path: Path, folder: Path) -> str:
    """Return the name of a file from a folder, only its own name if it lies elsewhere."""
    clean = Path(os.path.normpath(path))
    base = Path(os.path.normpath(folder))
    return clean.relative_to(base).as_posix() if clean.is_relative_to(base) else clean.name


def _process_texts(settings: Iterable[Settings]) -> dict[str, str]:
    """Check every process once; return the text of those that are files."""
    texts: dict[str, str] = {}
    for one in settings:
        if one.process not in texts:
            check_metal_and_mould(load_process(one.process), one.alloy)
            texts[one.process] = process_file_text(one.process)
    return texts
