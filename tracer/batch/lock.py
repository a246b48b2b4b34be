"""One run at a time in an output folder."""

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path

from tracer.errors import OutputError
from tracer.files import output_error
from tracer.names import shown_name

NAME = ".tracer-lock"


@contextlib.contextmanager
def locked(out: Path) -> Iterator[None]:
    """Hold the lock of a folder; it goes with the process, however that ends.

    The lock is one of the operating system on a small file, so nothing stale is left by a killed
    run: its file may lie there, but nobody holds it.

    Raises
    ------
    OutputError
        E_LOCKED if another run holds it, E_OUTPUT if the folder cannot be written.
    """
    path = out / NAME
    number = _take(path, out)
    try:
        os.ftruncate(number, 0)
        since = time.strftime("%Y-%m-%d %H:%M")
        os.write(number, f"process {os.getpid()}, since {since}".encode())
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(number)


def _take(path: Path, out: Path) -> int:
    while True:
        try:
            number = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise output_error(error, out) from None
        if not _lock(number):
            who = os.read(number, 100).decode(errors="replace")
            os.close(number)
            raise OutputError(
                f"another run is working here ({shown_name(who)})",
                hint="wait for it, or choose another --out",
                code="E_LOCKED",
                subject=shown_name(out),
            )
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(number), path.stat()):
                return number
        os.close(number)  # its owner removed it between our two looks


def _lock(number: int) -> bool:
    """Lock an open file without waiting; return whether it worked."""
    try:
        if os.name == "posix":
            import fcntl

            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            import msvcrt

            os.lseek(number, 1 << 20, os.SEEK_SET)  # beyond what others read
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined] # of Windows
            os.lseek(number, 0, os.SEEK_SET)
    except OSError:
        return False
    return True
