"""The whole set as tables for other programs: CSV and JSON."""

import csv
import dataclasses
import io
import json
from collections import Counter
from collections.abc import Sequence

from tracer import __version__
from tracer.batch.rows import Row, State
from tracer.files import MARK
from tracer.write.shown import plain

SCHEMA_VERSION = "1.0"

COLUMNS = (
    "file", "state", "verdict", "places", "fixed", "open", "kept", "kinds", "width_mm",
    "height_mm", "smallest_safe_width_mm", "pieces", "openings", "mass_g", "price", "files",
    "same_as", "notes", "error_code", "error", MARK,
)  # fmt: skip

_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""OWASP, "CSV Injection": a cell that starts so may be run by a spreadsheet."""


def summary_csv(rows: Sequence[Row]) -> str:
    """Return a table with a line for each artwork, after RFC 4180.

    A text that a spreadsheet would take for a formula has a ``'`` before it.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(value) for value in _values(row)])
    return out.getvalue()


def summary_json(rows: Sequence[Row], title: str) -> str:
    """Return everything about the set as JSON in ASCII, a line for each artwork."""
    head = {
        "schema_version": SCHEMA_VERSION,
        "tracer_version": __version__,
        "made_by": MARK,
        "set": plain(title),
        "complete": all(row.state is not State.WAITING for row in rows),
        "counts": counts(rows),
    }
    start = json.dumps(head, allow_nan=False, indent=1, ensure_ascii=True).removesuffix("\n}")
    # one by one: the plain data of 100,000 rows at once would take half a gigabyte
    lines = ",\n  ".join(json.dumps(_plain_row(row), allow_nan=False) for row in rows)
    return f'{start},\n "artworks": [\n  {lines}\n ]\n}}\n'


def counts(rows: Sequence[Row]) -> dict[str, int]:
    """Return how many artworks there are, by verdict or state, and in other respects."""
    by = Counter(row.verdict if row.state is State.DONE else str(row.state) for row in rows)
    return {
        "artworks": len(rows),
        **{word: by[word] for word in ("sound", "at risk", "will not cast", "failed", "waiting")},
        "with_open_places": sum(row.open > 0 for row in rows),
        "duplicates": sum(bool(row.same_as) for row in rows),
    }


def _values(row: Row) -> list[object]:
    done = row.state is State.DONE
    numbers = [row.fixed + row.open + row.kept, row.fixed, row.open, row.kept]
    message = f"{row.message} ({row.hint})" if row.hint else row.message
    return [
        row.shown,
        row.state,
        row.verdict,
        *(numbers if done else [""] * len(numbers)),
        " ".join(f"{kind}:{count}" for kind, count in row.kinds),
        row.width_mm,
        row.height_mm,
        row.smallest_safe_width_mm,
        row.pieces if done else "",
        row.openings if done else "",
        row.mass_g,
        row.price,
        " ".join(row.files),
        row.same_as,
        row.notes,
        row.code,
        message,
        __version__,
    ]


def _cell(value: object) -> str:
    if value is None:
        return ""
    text = plain(str(value))
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text


def _plain_row(row: Row) -> dict[str, object]:
    data = dataclasses.asdict(row)
    del data["number"]
    code, message, hint = (plain(data.pop(key)) for key in ("code", "message", "hint"))
    data["kinds"] = dict(row.kinds)
    data["file"] = data.pop("shown")
    data["notes"] = plain(row.notes)
    if row.state is State.FAILED:
        data["error"] = {"code": code, "message": message, "hint": hint}
    return data
