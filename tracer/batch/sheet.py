"""The job sheet: a table of artworks, each with its own size, process and role."""

import csv
import difflib
import io
import tomllib
from dataclasses import dataclass
from pathlib import Path

from tracer.errors import UsageError
from tracer.names import shown_name
from tracer.settings import Role, Size, SizeBy
from tracer.units import SMALLEST_PIECE_MM, parse_length

COLUMNS = ("file", "width", "height", "process", "role", "plan", "notes")
LARGEST_SHEET = 50_000_000

TEMPLATE_CSV = """\
file,width,height,process,role,plan,notes
heron.png,50mm,,pewter-silicone,raised,,brooch for the ferry house
signs/anchor.png,,2in,,silhouette,,
"""

TEMPLATE_TOML = """\
# One [[job]] for each outline. Files are named from the folder of this sheet.
# What is left out is taken from the command line. To plan the piece around an outline as well:
# plan = "piece.toml", the options of `tracer plan` without their dashes and without an artwork.

[[job]]
file = "heron.png"
width = "50mm"
process = "pewter-silicone"
role = "raised"
notes = "brooch for the ferry house"

[[job]]
file = "signs/anchor.png"
height = "2in"
"""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a job sheet; None and empty where it leaves the choice to the command line."""

    file: str
    size: Size | None
    process: str
    role: Role | None
    notes: str
    plan: str = ""  # a file of options for the piece around the outline


def read_sheet(path: Path) -> list[Line]:
    """Read a job sheet, CSV (comma, semicolon or tab) or TOML by its suffix.

    Raises
    ------
    UsageError
        The sheet cannot be read, has an unknown column, or a value that is wrong; with the line.
    """
    name = shown_name(path)
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_SHEET + 1)
    except OSError as error:
        raise _wrong(name, (error.strerror or "cannot be read").lower()) from None
    if len(raw) > LARGEST_SHEET:
        raise _wrong(name, "larger than 50 MB", "a job sheet is a line for each artwork")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _wrong(name, "not text in UTF-8", "save it as CSV UTF-8") from None
    rows = _toml_rows(text, name) if path.suffix.lower() == ".toml" else _csv_rows(text, name)
    lines = [_line(where, row) for where, row in rows]
    if not lines:
        raise _wrong(name, "names no artwork", "see `tracer batch --template`")
    return lines


def _csv_rows(text: str, name: str) -> list[tuple[str, dict[str, str]]]:
    head = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        header = [title.strip().lower() for title in next(reader, [])]
        _check_columns(header, f"{name}, line 1")
        rows = []
        for cells in reader:
            where = f"{name}, line {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(header) and any(cells[len(header) :]):
                raise _wrong(where, "more cells than columns", "put a text with commas in quotes")
            rows.append((where, dict(zip(header, cells, strict=False))))
    except csv.Error as error:
        raise _wrong(name, f"not valid CSV: {error}") from None
    return rows


def _toml_rows(text: str, name: str) -> list[tuple[str, dict[str, str]]]:
    try:
        data = tomllib.loads(text)
    except (
        ValueError,
        RecursionError,
    ) as error:  # ValueError: a number of thousands of digits, too
        raise _wrong(name, f"not valid TOML: {error}") from None
    jobs = data.get("job", [])
    if set(data) - {"job"} or not isinstance(jobs, list):
        raise _wrong(
            name, "only [[job]] tables are known here", "see `tracer batch --template toml`"
        )
    rows = []
    for number, job in enumerate(jobs, start=1):
        where = f"{name}, job {number}"
        if not isinstance(job, dict):
            raise _wrong(where, "is not a table")
        _check_columns(list(job), where)
        for key, value in job.items():
            if isinstance(value, bool) or not isinstance(value, str | int | float):
                raise _wrong(where, f'"{key}" is neither text nor a number')
        rows.append((where, {key: str(value) for key, value in job.items()}))
    return rows


def _check_columns(titles: list[str], where: str) -> None:
    for title in titles:
        if title and title not in COLUMNS:
            near = difflib.get_close_matches(title, COLUMNS, n=1)
            hint = f'is "{near[0]}" meant?' if near else f"known are {', '.join(COLUMNS)}"
            raise _wrong(where, f'unknown column "{shown_name(title)[:40]}"', hint)
        if title and titles.count(title) > 1:
            raise _wrong(where, f'column "{title}" twice')
    if "file" not in titles:
        raise _wrong(where, 'no column "file"', "see `tracer batch --template`")


def _line(where: str, row: dict[str, str]) -> Line:
    file = row.get("file", "")  # as written: a blank may be part of a name
    if not file.strip() or "\0" in file:
        raise _wrong(where, "names no file")
    sizes = []
    for by in (SizeBy.WIDTH, SizeBy.HEIGHT):
        if text := row.get(by, "").strip():
            try:
                option = f"{where}, {by}"
                sizes.append(Size(by, parse_length(text, option=option, least=SMALLEST_PIECE_MM)))
            except UsageError as error:
                error.code = "E_SETTINGS_FILE"
                raise
    if len(sizes) > 1:
        raise _wrong(where, "width and height contradict each other", "give one of them")
    role = row.get("role", "").strip().lower()
    if role and role not in [*Role]:
        raise _wrong(where, f'"{shown_name(role)[:40]}" is not a role', f"one of {', '.join(Role)}")
    return Line(
        file=file,
        size=sizes[0] if sizes else None,
        process=row.get("process", "").strip(),
        role=Role(role) if role else None,
        notes=row.get("notes", "").strip(),
        plan=row.get("plan", "").strip(),
    )


def _wrong(where: str, message: str, hint: str = "") -> UsageError:
    return UsageError(message, hint=hint, subject=where, code="E_SETTINGS_FILE")
