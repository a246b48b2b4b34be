"""A folder to the artworks in it, in a fixed order; the list is frozen when the run starts."""

import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

from tracer.errors import InputError, TracerError, UsageError
from tracer.files import is_ours
from tracer.names import shown_name

IMAGES = frozenset(
    ".png .apng .jpg .jpeg .jpe .jfif .tif .tiff .webp .bmp .dib .gif".split()  # noqa: SIM905 - a list of words
)
"""Kinds that are read."""

_OTHER = ".ai .avif .cdr .eps .heic .heif .ico .jp2 .j2k .pcx .pdf .ps .psd .svg .svgz .tga .xcf"
_OF_CAMERAS = ".arw .cr2 .cr3 .dng .nef .orf .raf .rw2"
OTHER_ART = frozenset(f"{_OTHER} {_OF_CAMERAS}".split())
"""Kinds that hold artwork but are not read: each gets its row, so that none is missed."""

_SYSTEM = frozenset({"thumbs.db", "desktop.ini", "__macosx"})
_SIGNATURES = (b"\x89PNG", b"\xff\xd8\xff", b"II*\0", b"MM\0*", b"RIFF", b"BM", b"GIF8")
_DEEPEST = 100


@dataclass(frozen=True, slots=True)
class Found:
    """A file that may be an artwork, or a place that could not be looked at."""

    path: Path
    relative: str  # from the folder that was walked, with /
    problem: TracerError | None = None


@dataclass(slots=True)
class Walk:
    """What a folder holds."""

    found: list[Found] = field(default_factory=list)
    ignored: int = 0  # files of no kind that holds artwork, hidden ones, files of the system


def walk(root: Path, *, leave_out: Path) -> Walk:
    """Find every artwork under a folder.

    Hidden files, files of the system, other kinds, and outputs of ours are passed over and
    counted. A link to a file is followed if it ends inside `root`; a link to a folder is not
    followed, since a folder inside is walked under its own name. Two folders that are one, by
    device and number, are walked once.

    Parameters
    ----------
    root
        A folder.
    leave_out
        Folder that is not walked, the one that is written to.

    Raises
    ------
    UsageError
        `root` is no folder that can be read.
    """
    try:
        real = root.resolve(strict=True)
        os.scandir(real).close()
    except (OSError, RuntimeError) as error:
        raise UsageError(
            (getattr(error, "strerror", None) or "cannot be read").lower(),
            hint="give a folder of artworks, or a job sheet that ends in .csv or .toml",
            subject=shown_name(root),
            code="E_NOINPUT",
        ) from None
    result = Walk()
    away = leave_out.resolve()
    seen: set[tuple[int, int]] = set()
    waiting = [(real, "", 0)]
    while waiting:
        folder, prefix, depth = waiting.pop()
        entries = _entries(folder, prefix, result, seen)
        folders = []
        for entry in entries:
            relative = prefix + entry.name
            if _is_hidden(entry.name):
                result.ignored += 1
            elif entry.is_dir(follow_symlinks=False):
                if Path(entry.path) != away and depth < _DEEPEST:
                    folders.append((Path(entry.path), relative + "/", depth + 1))
            else:
                _look_at(Path(entry.path), relative, real, result)
        waiting.extend(reversed(folders))
    result.found.sort(key=lambda found: (found.relative.casefold(), found.relative))
    return result


def _entries(
    folder: Path, prefix: str, result: Walk, seen: set[tuple[int, int]]
) -> list[os.DirEntry[str]]:
    """Return what is in a folder, nothing if it was seen or cannot be read."""
    try:
        status = folder.stat()
        if (status.st_dev, status.st_ino) in seen:
            return []
        seen.add((status.st_dev, status.st_ino))
        with os.scandir(folder) as entries:
            return sorted(entries, key=lambda entry: entry.name)
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        problem = InputError(
            f"folder cannot be read: {reason}", hint="change its rights", code="E_PERMISSION"
        )
        result.found.append(Found(folder, prefix.rstrip("/"), problem))
        return []


def _look_at(path: Path, relative: str, root: Path, result: Walk) -> None:
    """Add a file if it may be an artwork."""
    kind = path.suffix.lower()
    if kind in OTHER_ART:
        if is_ours(path):
            result.ignored += 1
        else:
            result.found.append(Found(path, relative, _unsupported(kind)))
        return
    if kind not in IMAGES and not (kind == "" and _starts_like_an_image(path)):
        result.ignored += 1
        return
    result.found.append(Found(path, relative, _stray_link(path, root)))


def _unsupported(kind: str) -> InputError:
    return InputError(
        f"{kind[1:].upper()} is not supported", hint="export a PNG", code="E_UNSUPPORTED"
    )


def _stray_link(path: Path, root: Path) -> InputError | None:
    """Return what is wrong with a link that leads nowhere or out of the folder."""
    if not path.is_symlink():
        return None
    try:
        target = path.resolve(strict=True)
    except (OSError, RuntimeError):
        return InputError("is a link that points nowhere", hint="link it again", code="E_MISSING")
    if target.is_relative_to(root):
        return None
    return InputError(
        "is a link to outside the folder", hint="copy the file here", code="E_OUTSIDE"
    )


def _is_hidden(name: str) -> bool:
    return name.startswith((".", "~$")) or name.casefold() in _SYSTEM


def _starts_like_an_image(path: Path) -> bool:
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
        with path.open("rb") as file:
            return file.read(8).startswith(_SIGNATURES)
    except OSError:
        return False
