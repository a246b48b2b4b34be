"""A worker: a process of its own that works one artwork after the other.

    python -P -m tracer.batch.worker MODULE:FUNCTION PARENT BYTES

reads tasks from standard input and writes answers to standard output, each a pickle behind eight
bytes of length. It ends with its parent: when the pipe closes, and on Linux at once when the
parent dies. A decoder that crashes or hangs takes this process with it and nothing else.
"""

import contextlib
import importlib
import io
import os
import pickle
import signal
import struct
import sys
import traceback
from collections.abc import Callable
from typing import IO

from tracer.batch.task import Answer, Task, failed, failure_of
from tracer.errors import TracerError

LENGTH = struct.Struct(">Q")

READY: Answer = {}
"""First thing that a worker says: its libraries are loaded."""


def main() -> int:
    """Answer tasks until there are no more."""
    where, parent, memory = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    _die_with(parent)
    tasks, answers = _take_pipes()
    module_name, _, name = where.partition(":")
    module = importlib.import_module(module_name)
    run: Callable[[Task], Answer] = getattr(module, name)
    getattr(module, "prepare", lambda: None)()
    _limit_memory(memory)
    write_frame(answers, READY)
    while (frame := read_frame(tasks)) is not None:
        # The parent is the one who started us: its tasks may hold our own types.
        write_frame(answers, answer(run, pickle.loads(frame)))  # noqa: S301 - from our own process
    return 0


def answer(run: Callable[[Task], Answer], task: Task) -> Answer:
    """Run a task; whatever it raises becomes the answer."""
    try:
        return run(task)
    except TracerError as error:
        return failure_of(error)
    except MemoryError:
        return failed("E_MEMORY", "needs more memory than one worker may take", _MEMORY_HINT)
    except Exception as error:  # noqa: BLE001 - one file's fault must not cost the others
        text = f"{type(error).__name__}: {error}"
        if "bad_alloc" in text or "Insufficient memory" in text:  # how GEOS and OpenCV say it
            return failed("E_MEMORY", "needs more memory than one worker may take", _MEMORY_HINT)
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{os.path.basename(place.filename)}:{place.lineno}"  # noqa: PTH119 - one part of it
        return failed("E_INTERNAL", f"internal fault: {text[:300]} at {where}", "please report it")


_MEMORY_HINT = "use a smaller artwork, or fewer --jobs"


def write_frame(stream: IO[bytes], message: object) -> None:
    """Write one message."""
    data = pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL)
    stream.write(LENGTH.pack(len(data)))
    stream.write(data)
    stream.flush()


def read_frame(stream: IO[bytes]) -> bytes | None:
    """Read the bytes of one message; None at the end, even one in the middle of a message."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return None
    (length,) = LENGTH.unpack(head)
    data = stream.read(length)
    return data if len(data) == length else None


def read_answer(stream: IO[bytes]) -> Answer | None:
    """Read one answer, refusing everything but built-in values."""
    frame = read_frame(stream)
    if frame is None:
        return None
    found: Answer = PlainUnpickler(io.BytesIO(frame)).load()
    return found


class PlainUnpickler(pickle.Unpickler):
    """Reads no classes or functions: a worker that a hostile file took over stays a worker."""

    def find_class(self, module_name: str, global_name: str) -> None:
        """Refuse; see `pickle.Unpickler.find_class`."""
        raise pickle.UnpicklingError(f"{module_name}.{global_name} in an answer")


def _take_pipes() -> tuple[IO[bytes], IO[bytes]]:
    """Keep the pipes for ourselves: what a library prints goes to the error stream."""
    tasks, answers = os.dup(0), os.dup(1)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(2, 1)
    return os.fdopen(tasks, "rb"), os.fdopen(answers, "wb")


def _die_with(parent: int) -> None:
    """Take no Ctrl-C (the parent decides) and, on Linux, get killed when the parent dies."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform == "linux":
        import ctypes

        set_parent_death_signal = 1  # PR_SET_PDEATHSIG, prctl(2)
        ctypes.CDLL(None).prctl(set_parent_death_signal, signal.SIGKILL)
    if parent and os.name == "posix" and os.getppid() != parent:
        os._exit(1)  # it died before we could ask


def _limit_memory(limit: int) -> None:
    """Have an allocation beyond the limit fail, before the system has to kill somebody."""
    if not limit or sys.platform != "linux":
        return
    import resource

    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    soft = limit if hard == resource.RLIM_INFINITY else min(limit, hard)
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        sys.exit(main())
