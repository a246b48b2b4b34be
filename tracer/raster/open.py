"""The file part of reading: from a path to bytes, without a hang and without a surprise."""

import difflib
import os
import stat
from pathlib import Path

from tracer.bounds import FILE_BYTES
from tracer.errors import InputError
from tracer.names import shown_name

_CHUNK = 1 << 20


def load_file(path: Path, max_bytes: int = FILE_BYTES.value) -> bytes:
    """Return the whole content of a regular file.

    Links are followed. Nothing but a regular file is ever opened for reading, so a pipe or a
    device cannot hang the run; the size is checked before the first byte is read. A file that
    changes while it is read (a sync client at work) is read once more.

    Parameters
    ----------
    path
        Where the file is.
    max_bytes
        Largest size in bytes; see `tracer.bounds.largest_file`.

    Returns
    -------
    bytes
        Never more than `max_bytes`; may be empty.

    Raises
    ------
    InputError
        E_MISSING, E_NOTFILE, E_PERMISSION, E_TOOBIG or E_CHANGED.
    """
    try:
        data = _load_once(path, max_bytes)
        if data is None:
            data = _load_once(path, max_bytes)
    except InputError as error:
        error.subject = shown_name(path)
        raise
    if data is None:
        raise InputError(
            "changed while it was read",
            hint="wait until it is saved or synced",
            code="E_CHANGED",
            subject=shown_name(path),
        )
    return data


def _load_once(path: Path, max_bytes: int) -> bytes | None:
    """Return the content, or None if the file changed meanwhile."""
    try:
        _check_kind(path.stat())
        # O_NONBLOCK: should a pipe take the file's place just now, opening it does not hang.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | _BINARY)
        with os.fdopen(descriptor, "rb") as stream:
            before = os.fstat(descriptor)
            _check_kind(before)
            _check_size(before.st_size, max_bytes)
            chunks: list[bytes] = []
            total = 0
            while block := stream.read(_CHUNK):
                chunks.append(block)
                total += len(block)
                _check_size(total, max_bytes)
            after = os.fstat(descriptor)
    except OSError as error:
        raise _explained(path, error) from error
    except ValueError as error:  # a zero byte in the name
        raise InputError("no such file", hint="check the name", code="E_MISSING") from error
    if total != before.st_size or _state(before) != _state(after):
        return None
    return b"".join(chunks)


_BINARY = getattr(os, "O_BINARY", 0)  # only Windows tells text from bytes


def _state(status: os.stat_result) -> tuple[int, int]:
    return status.st_size, status.st_mtime_ns


def _check_kind(status: os.stat_result) -> None:
    mode = status.st_mode
    if stat.S_ISREG(mode):
        return
    kinds = {
        stat.S_IFDIR: "a folder",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    kind = kinds.get(stat.S_IFMT(mode), "no regular file")
    raise InputError(f"is {kind}, not a file", hint="name an image file", code="E_NOTFILE")


def _check_size(size: int, max_bytes: int) -> None:
    if size > max_bytes:
        raise InputError(
            f"file of {size / 1e6:,.0f} MB is over the limit of {max_bytes / 1e6:,.0f} MB",
            hint="export it smaller, or raise --max-pixels: eight bytes a pixel are allowed",
            code="E_TOOBIG",
        )


def _explained(path: Path, error: OSError) -> InputError:
    """Return what an error of the system means for the user."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        if path.is_symlink():
            return InputError(
                "is a link that points nowhere", hint="link it again", code="E_MISSING"
            )
        near = _near_match(path)
        hint = f"is {near} meant?" if near else "check the name and the folder"
        return InputError("no such file", hint=hint, code="E_MISSING")
    if isinstance(error, PermissionError):
        return InputError(
            "no permission to read", hint="change its rights, or close its program",
            code="E_PERMISSION",
        )  # fmt: skip
    if isinstance(error, IsADirectoryError):
        return InputError("is a folder, not a file", hint="name a file", code="E_NOTFILE")
    reason = (error.strerror or type(error).__name__).lower()
    return InputError(f"cannot be read: {reason}", hint="check the disk", code="E_MISSING")


def _near_match(path: Path) -> str:
    """Return the name in the same folder that is most like the missing one, else nothing."""
    try:
        names = [entry.name for entry in os.scandir(path.parent)]
    except OSError:
        return ""
    found = difflib.get_close_matches(path.name, sorted(names), n=1, cutoff=0.75)
    return found[0] if found else ""
