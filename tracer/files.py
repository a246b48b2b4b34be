"""Writing results: whole or not at all, and never over what is not ours."""

import contextlib
import errno
import hashlib
import itertools
import os
import re
import socket
import stat
from collections.abc import Collection, Iterable, Iterator, Mapping
from pathlib import Path

from tracer.errors import OutputError
from tracer.names import shown_name

MARK = "made by tracer"
"""Stands in the first `MARK_WITHIN` bytes of every file that the package writes."""

MARK_WITHIN = 4096

_JSON_KEYS = (b'"schema_version"', b'"tracer_version"')

_PART = re.compile(r"\.tracer-([0-9a-f]{8})-([0-9]+)-[0-9]+\.part")
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_counter = itertools.count()


def write_files(
    files: Mapping[Path, str | bytes], *, inputs: Collection[Path], overwrite: bool
) -> None:
    """Write a set of files so that each is there whole or not at all.

    Every file is written aside in its own folder, flushed to the disk and only then renamed. On
    any error, and on an interrupt, what was written aside is removed and what was renamed is put
    back, so that an earlier result stays. The *last* file is the seal of the set: it has its name
    only while all the others have theirs, even when the process is killed between two renames.

    Parameters
    ----------
    files
        Content by path; text is written as UTF-8. A missing folder is created if the folder
        around it exists.
    inputs
        Files that were read; none of them is ever replaced, whatever `overwrite` says.
    overwrite
        Whether a file that this package did not make may be replaced.

    Raises
    ------
    OutputError
        E_EXISTS (something of another origin is there), E_DISKFULL or E_OUTPUT.

    Notes
    -----
    What is not promised: two *different* files can both be old or both be new after a power cut,
    since a rename is on the disk only when the folder is; the folder is flushed last.
    """
    read = {found for path in inputs if (found := _identity(path))}
    made: list[Path] = []
    parts: dict[Path, Path] = {}
    try:
        for path in files:
            _check_target(path, read, overwrite=overwrite)
            made += _make_folder(path.parent)
        for path, content in files.items():
            parts[path] = _write_part(path, content)
        _rename_all(parts)
    except BaseException as error:
        for part in parts.values():
            part.unlink(missing_ok=True)
        for folder in reversed(made):
            with contextlib.suppress(OSError):
                folder.rmdir()
        if isinstance(error, OSError):
            raise output_error(error, error.filename or next(iter(files))) from None
        raise


def is_ours(path: Path) -> bool:
    """Tell whether a file was written by this package, by the mark in its first 4 kB.

    JSON has no room for a remark: there the two versions that every report begins with are the
    mark. A link, a folder, or a file that cannot be read, is not ours.
    """
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            return False
        with path.open("rb") as file:
            head = file.read(MARK_WITHIN)
    except OSError:
        return False
    return MARK.encode() in head or all(key in head for key in _JSON_KEYS)


def remove_stale_parts(folder: Path) -> int:
    """Remove what a killed run of this machine left half-written in a folder; return how many."""
    count = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            match = _PART.fullmatch(entry.name)
            if match and match[1] == _host() and not _is_running(int(match[2])):
                with contextlib.suppress(OSError):
                    Path(entry.path).unlink()
                    count += 1
    return count


def output_error(error: OSError, path: str | bytes | Path) -> OutputError:
    """Return the one-line error for a failed write."""
    name = shown_name(os.fsdecode(path))
    if error.errno in _FULL:
        return OutputError(
            "the disk is full or a size limit is reached",
            hint="make room and run again; earlier results are kept",
            code="E_DISKFULL",
            subject=name,
        )
    hints = {
        errno.EACCES: "choose a folder that you may write in",
        errno.EPERM: "choose a folder that you may write in",
        errno.EROFS: "choose a folder that you may write in",
        errno.ENAMETOOLONG: "choose a shorter name",
        errno.ENOENT: "the folder is not there (any more)",
        errno.ENOTDIR: "a part of the path is a file",
        errno.EISDIR: "that is a folder; give the name of a file",
    }
    reason = (error.strerror or type(error).__name__).lower()
    return OutputError(
        f"cannot be written: {reason}", hint=hints.get(error.errno or 0, ""), subject=name
    )


def _check_target(path: Path, read: set[tuple[int, int]], *, overwrite: bool) -> None:
    """Refuse a target that must not be replaced."""
    name = shown_name(path)
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if stat.S_ISDIR(mode):
        raise OutputError("is a folder", hint="give the name of a file", subject=name)
    if _identity(path) in read:
        raise OutputError(
            "is an input and is never replaced", hint="give another name with -o", subject=name
        )
    if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
        raise OutputError("is not a file", hint="give the name of a file", subject=name)
    if not overwrite and not is_ours(path):
        raise OutputError(
            "is there already and was not made by this tool",
            hint="give another name, or --overwrite",
            code="E_EXISTS",
            subject=name,
        )


def _identity(path: Path) -> tuple[int, int] | None:
    """Return what tells a file from all others, links followed; None if there is none."""
    try:
        found = path.stat()
    except (OSError, ValueError):
        return None
    return found.st_dev, found.st_ino


def _make_folder(folder: Path) -> Iterable[Path]:
    """Create a folder whose own parent exists; return it if it was not there."""
    try:
        folder.mkdir()
    except FileExistsError:
        if folder.is_dir():
            return []
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), folder) from None
    return [folder]


def _write_part(path: Path, content: str | bytes) -> Path:
    """Write content aside, on the disk before this returns."""
    # A lone surrogate can only come from a file name; shown as an escape it costs no result.
    data = content.encode(errors="backslashreplace") if isinstance(content, str) else content
    while True:
        part = path.parent / f".tracer-{_host()}-{os.getpid()}-{next(_counter)}.part"
        with contextlib.suppress(FileExistsError):
            file = part.open("xb")
            break
    try:
        with file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except BaseException as error:
        part.unlink(missing_ok=True)
        if isinstance(error, OSError):
            error.filename = str(path)  # a failed write knows its number, not its name
        raise
    return part


def _rename_all(parts: Mapping[Path, Path]) -> None:
    """Give every part its name, the last one last; put everything back on an error."""
    *others, seal = parts
    new = [path for path in parts if not os.path.lexists(path)]
    kept: dict[Path, Path] = {}
    try:
        for path in parts:
            if path not in new and (aside := _set_aside(path)) is not None:
                kept[path] = aside
        if others:
            seal.unlink(missing_ok=True)
        for path, part in parts.items():
            part.replace(path)
        for folder in dict.fromkeys(path.parent for path in parts):
            _flush_folder(folder)
    except BaseException as error:
        _put_back(parts, new, kept)
        if isinstance(error, OSError) and error.filename2 is not None:
            error.filename = error.filename2
        raise
    finally:
        for aside in kept.values():
            aside.unlink(missing_ok=True)


def _put_back(parts: Mapping[Path, Path], new: list[Path], kept: Mapping[Path, Path]) -> None:
    for path in new:
        if not parts[path].exists():  # it has its name already
            path.unlink(missing_ok=True)
    for path, aside in kept.items():
        with contextlib.suppress(OSError):
            aside.replace(path)


def _set_aside(path: Path) -> Path | None:
    """Give an existing file a second name, to have it back on an error."""
    aside = path.parent / f".tracer-{_host()}-{os.getpid()}-{next(_counter)}.part"
    try:
        os.link(path, aside, follow_symlinks=False)
    except (OSError, NotImplementedError):  # not there, or a file system without links
        return None
    return aside


def _flush_folder(folder: Path) -> None:
    """Put renames on the disk where the system can."""
    with contextlib.suppress(OSError), _opened(folder) as number:
        os.fsync(number)


@contextlib.contextmanager
def _opened(folder: Path) -> Iterator[int]:
    number = os.open(folder, os.O_RDONLY)
    try:
        yield number
    finally:
        os.close(number)


def _host() -> str:
    """Return eight hex digits that tell this machine from others on a shared disk."""
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]


def _is_running(process: int) -> bool:
    if os.name != "posix":  # elsewhere signal 0 is not a question
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:  # it runs under another user
        return True
    return True
