"""Progress on a terminal: one line that comes after a second and goes when the work is done."""

import os
import sys
import time
from types import TracebackType
from typing import Self


class Progress:
    """A line on the error stream that names the stage in work.

    Shows nothing in the first second, when the stream is not a terminal, or when quiet.
    """

    def __init__(self, name: str, *, quiet: bool = False) -> None:
        self._name = name
        self._began = time.monotonic()
        self._shown = False
        self._wanted = not quiet and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"

    def __call__(self, stage: str) -> None:
        """Say that a stage begins."""
        if self._wanted and time.monotonic() - self._began > 1:
            print(f"\r{self._name}: {stage} ... \x1b[K", end="", file=sys.stderr, flush=True)
            self._shown = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
