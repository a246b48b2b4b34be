"""Stand-ins for the work on an artwork, run inside workers: quick, and wrong on demand.

What one does is written in the artwork itself, so the same set behaves alike in every run.
"""

import ctypes
import hashlib
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from tracer.batch.task import Answer, Ask, Task
from tracer.errors import InputError
from tracer.files import MARK
from tracer.write.report import report_text


def run(task: Task) -> Answer:
    """Do what the content asks for, else return small but complete outputs."""
    word, _, argument = task.data.decode(errors="replace").partition(" ")
    if task.ask is Ask.EXTENT:
        width, height = argument.split("x")
        return {"extent": (float(width), float(height))}
    if word in _ODD:
        _ODD[word](argument.strip())
    time.sleep(0.004)
    digest = hashlib.sha256(task.data).hexdigest()
    report = make_report(task, digest)
    return {
        "texts": {
            ".svg": f"<svg><!-- {MARK} {digest} --></svg>" * 40,
            ".json": report_text(report),
            ".html": f"<!-- {MARK} {digest} {task.name.encode('unicode_escape')!r} -->",
        },
        "reports": [report],
        "picture": "",
        "status": 0,
    }


def make_report(task: Task, digest: str) -> dict[str, object]:
    """Return the part of a report that a batch looks at."""
    size = task.settings.size
    return {
        "schema_version": "1.0",
        "tracer_version": "0",
        "artwork": {"file": task.name.encode(errors="replace").decode(), "sha256": digest},
        "settings": {"size": {"by": str(size.by), "mm": size.mm}},
        "drawing": {"width_mm": size.mm, "height_mm": 1.0, "pieces": 1, "openings": 0},
        "pitch_mm": round(size.mm / 100, 6),
        "verdict": "sound",
        "findings": [],
        "smallest_safe_width_mm": 0.0,
        "verified": {"places": []},
    }


def _refuse(_: str) -> None:
    raise InputError("is cut off", hint="send it again", code="E_TRUNCATED")


def _fault(_: str) -> None:
    raise KeyError("planted")


def _starve(_: str) -> None:
    bytearray(1 << 45)


def _crash(_: str) -> None:
    ctypes.string_at(0)


def _kill(_: str) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _kill_once(flag: str) -> None:
    if not Path(flag).exists():
        Path(flag).touch()
        os.kill(os.getpid(), signal.SIGKILL)


def _leave(_: str) -> None:
    raise SystemExit(3)


def _hard_leave(_: str) -> None:
    os._exit(7)


def _hang(_: str) -> None:
    time.sleep(3600)


def _stop(_: str) -> None:
    os.kill(os.getpid(), signal.SIGSTOP)


def _chatter(_: str) -> None:
    os.write(1, b"\0" * 100_000)
    os.write(2, b"warning\n" * 10_000)


def _slow(seconds: str) -> None:
    time.sleep(float(seconds))


_ODD: dict[str, Callable[[str], None]] = {
    "REFUSE": _refuse, "FAULT": _fault, "STARVE": _starve, "CRASH": _crash, "KILL": _kill,
    "KILL-ONCE": _kill_once, "LEAVE": _leave, "HARD-LEAVE": _hard_leave, "HANG": _hang,
    "STOP": _stop, "CHATTER": _chatter, "SLOW": _slow,
}  # fmt: skip
