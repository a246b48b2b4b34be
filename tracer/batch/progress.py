"""What a run says while it works: a line on a terminal, and a log."""

import os
import shutil
import sys
import time
from pathlib import Path
from typing import TextIO

from tracer.batch.rows import Row, State
from tracer.errors import OutputError
from tracer.files import output_error
from tracer.names import shown_name

_EVERY_S = 0.1


class Progress:
    """Counts artworks; shows a line on a terminal, and writes a log where one was asked for.

    The line stands on the error stream, only if that is a terminal that can rewrite a line, and
    not when quiet. It uses no colour.
    """

    def __init__(self, total: int, *, quiet: bool, log: "Log") -> None:
        self._total = total
        self._done = 0
        self._worked = 0  # those that took time, for the rate
        self._began = time.monotonic()
        self._last = 0.0
        self._log = log
        self._wanted = not quiet and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"

    def working(self, name: str) -> None:
        """Say what is being worked now."""
        self._show(name, force=False)

    def finished(self, row: Row, *, worked: bool) -> None:
        """Count a finished artwork, and log it."""
        self._done += 1
        self._worked += worked
        if row.state is State.FAILED:
            self._log.write(f"failed {row.shown}: {row.code} {row.message}")
        else:
            same = f", same as {row.same_as}" if row.same_as else ""
            how = "done" if worked else "there already"
            self._log.write(f"{how} {row.shown}: {row.verdict}, {row.open} open{same}")
        self._show(row.shown, force=self._done == self._total)

    def clear(self) -> None:
        """Take the line away."""
        if self._wanted and self._last:
            self._put("\r\x1b[K")

    def line(self, name: str, *, width: int) -> str:
        """Return the line for a terminal of so many columns."""
        spent = max(time.monotonic() - self._began, 1e-3)
        rate = self._worked / spent
        left = (self._total - self._done) / rate if rate else None
        bar_width = 20
        filled = bar_width * self._done // max(self._total, 1)
        bar = "#" * filled + "." * (bar_width - filled)
        remaining = "" if left is None else f"  {_clock(left)} left"
        text = f"[{bar}] {self._done}/{self._total}  {rate:.1f}/s{remaining}  {shown_name(name)}"
        return text[: max(width - 1, 0)]

    @staticmethod
    def _put(text: str) -> None:
        sys.stderr.write(text)
        sys.stderr.flush()

    def _show(self, name: str, *, force: bool) -> None:
        now = time.monotonic()
        if not self._wanted or (now - self._last < _EVERY_S and not force):
            return
        self._last = now
        width = shutil.get_terminal_size().columns
        self._put(f"\r{self.line(name, width=width)}\x1b[K")


class Log:
    """A log file, a line for each event; does nothing without a path.

    Lines are appended, so that a file that is there loses nothing.
    """

    def __init__(self, path: Path | None) -> None:
        self._file: TextIO | None = None
        if path is not None:
            try:
                self._file = path.open("a", encoding="utf-8", errors="backslashreplace")
            except OSError as error:
                raise output_error(error, path) from None

    def write(self, text: str) -> None:
        """Add a line with the time."""
        if self._file is None:
            return
        try:
            self._file.write(f"{time.strftime('%Y-%m-%d %H:%M:%S')} {shown_name(text)}\n")
            self._file.flush()
        except OSError as error:
            self._file = None
            raise OutputError(
                f"the log cannot be written: {(error.strerror or 'failed').lower()}",
                code="E_OUTPUT",
            ) from None

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
