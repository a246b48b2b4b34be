"""A decoder's surroundings: limits that are ours, warnings and chatter that do not get out."""

import os
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from PIL import Image

_LOCK = threading.RLock()
_KEPT = 2000
_LINES = 3


@contextmanager
def quiet_decoder() -> Iterator[list[str]]:
    """Decode inside: one at a time, since all of this belongs to the whole process.

    Pillow's limit of pixels is lifted (ours was checked before, and can be raised by an option),
    its warnings are dropped, and what the C libraries print to file descriptor 2 is caught.

    Yields
    ------
    list of str
        Filled on the way out with the first three lines that a library printed.
    """
    notes: list[str] = []
    with _LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        limit, module = Image.MAX_IMAGE_PIXELS, Image
        module.MAX_IMAGE_PIXELS = None
        try:
            with _caught_stderr(notes):
                yield notes
        finally:
            module.MAX_IMAGE_PIXELS = limit


@contextmanager
def _caught_stderr(notes: list[str]) -> Iterator[None]:
    try:
        kept = os.dup(2)
    except OSError:  # no error stream at all: nothing to catch
        yield
        return
    with tempfile.TemporaryFile() as file:
        os.dup2(file.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            notes.extend(_first_lines(file))


def _first_lines(file: Any) -> list[str]:
    file.seek(0)
    text = file.read(_KEPT).decode("utf-8", "backslashreplace")
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return [line for line in lines[:_LINES] if line.isprintable()]
