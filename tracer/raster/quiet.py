"""A decoder's surroundings: limits that are ours, warnings and chatter that do not get out."""

import os
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, Any

from PIL import Image, PngImagePlugin

_LOCK = threading.RLock()
_KEPT = 2000
_LINES = 3
_LARGEST_PROFILE = 16_000_000
"""Bytes of a colour profile or text inside a PNG; those of presses take several million."""


@contextmanager
def quiet_decoder() -> Iterator[list[str]]:
    """Decode inside: one at a time, since all of this belongs to the whole process.

    Pillow's limit of pixels is lifted (ours was checked before, and can be raised by an option),
    that of a text or profile raised, its warnings are dropped, and what the C libraries print to
    file descriptor 2 is caught.

    Yields
    ------
    list of str
        Filled on the way out with the first three lines that a library printed.
    """
    notes: list[str] = []
    with _LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        limit, module = Image.MAX_IMAGE_PIXELS, Image
        text, png = PngImagePlugin.MAX_TEXT_CHUNK, PngImagePlugin
        module.MAX_IMAGE_PIXELS, png.MAX_TEXT_CHUNK = None, _LARGEST_PROFILE
        try:
            with _caught_stderr(notes):
                yield notes
        finally:
            module.MAX_IMAGE_PIXELS, png.MAX_TEXT_CHUNK = limit, text


@contextmanager
def _caught_stderr(notes: list[str]) -> Iterator[None]:
    try:
        kept = os.dup(2)
    except OSError:  # no error stream at all: nothing to catch
        yield
        return
    with _scratch() as file:
        os.dup2(file.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            notes.extend(_first_lines(file))


def _scratch() -> IO[bytes]:
    """Return a file that is nowhere; in memory where the system can, since a disk may be full."""
    if hasattr(os, "memfd_create"):
        return os.fdopen(os.memfd_create("decoder"), "w+b")
    return tempfile.TemporaryFile()


def _first_lines(file: Any) -> list[str]:
    file.seek(0)
    text = file.read(_KEPT).decode("utf-8", "backslashreplace")
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    return [line for line in lines[:_LINES] if line.isprintable()]
