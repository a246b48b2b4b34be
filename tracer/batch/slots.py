"""Worker processes in slots: a crash, a hang or a kill costs one artwork and nothing else.

The pool of the standard library is not used: when one of its workers is killed it gives up
everything in flight.
"""

import os
import pickle
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Generic, Self, TypeVar

import tracer
from tracer.batch.task import Answer, Task, failed
from tracer.batch.worker import read_answer, write_frame
from tracer.bounds import MEMORY
from tracer.errors import TracerError

Ticket = TypeVar("Ticket")

WORK = "tracer.batch.task:run_task"
TICK_S = 0.1
"""How often time limits and the wish to stop are looked at."""

START_S = 60.0
"""Time for a worker to load its libraries."""

_START_TRIES = 3
_LEAST_BYTES = 2 << 30  # the libraries alone map more than 1 GB
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")


def memory_bytes(jobs: int) -> int:
    """Return what a worker may take: an equal share of the machine, at most 8 GiB."""
    try:
        total = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):
        return MEMORY.value
    return max(_LEAST_BYTES, min(total // jobs, MEMORY.value))


@dataclass(eq=False)
class Slot:
    """One worker process and the thread that talks to it.

    The thread sends a task and waits for its answer, so that neither a worker that does not read
    nor one that stops in the middle of an answer can hold up anybody else.
    """

    work: str
    memory: int
    done: "queue.SimpleQueue[tuple[Slot, Answer | None]]"
    process: "subprocess.Popen[bytes]" = field(init=False)
    ready: bool = field(default=False, init=False)
    ended_by_us: str = field(default="", init=False)
    _tasks: "queue.SimpleQueue[Task | None]" = field(
        default_factory=queue.SimpleQueue, init=False, repr=False
    )

    def __post_init__(self) -> None:
        # -P and the path of the package: nothing is imported from the folder we happen to be in.
        root = str(Path(tracer.__file__).parents[1])
        paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = {
            **os.environ,
            **dict.fromkeys(_ONE_THREAD, "1"),
            "PYTHONPATH": os.pathsep.join(paths),
        }
        arguments = [self.work, str(os.getpid()), str(self.memory)]
        command = [sys.executable, "-P", "-m", "tracer.batch.worker", *arguments]
        self.process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            process_group=0 if os.name == "posix" else None,  # Ctrl-C is for us alone
        )
        threading.Thread(target=self._talk, daemon=True).start()

    def send(self, task: Task) -> None:
        """Give the worker something to do; the answer comes through `done`."""
        self._tasks.put(task)

    def kill(self, reason: str) -> None:
        """End the worker at once, whatever it does."""
        self.ended_by_us = self.ended_by_us or reason
        self.process.kill()
        self._tasks.put(None)

    def close(self) -> None:
        """Kill the worker and wait until it is gone."""
        self.kill("closed")
        self.process.wait()

    def _talk(self) -> None:
        tasks, answers = self.process.stdin, self.process.stdout
        assert tasks is not None
        assert answers is not None
        try:
            with tasks, answers:
                self.ready = read_answer(answers) is not None
                while self.ready and (task := self._tasks.get()) is not None:
                    write_frame(tasks, task)
                    del task  # may be large
                    if (answer := read_answer(answers)) is None:
                        break
                    self.done.put((self, answer))
        except (OSError, ValueError, EOFError, pickle.UnpicklingError):
            self.process.kill()
        self.process.wait()
        self.done.put((self, None))


class SlotPool(Generic[Ticket]):
    """Runs tasks in up to `jobs` worker processes.

    Parameters
    ----------
    jobs
        Number of workers, at least 1.
    timeout_s
        Wall time for one task.
    memory
        Address space of a worker in bytes, 0 for no limit of ours.
    work
        ``module:function`` from `Task` to `Answer`, run in the worker.
    stop
        Asked every `TICK_S`; when true the workers are killed and `run` ends.
    """

    def __init__(
        self,
        *,
        jobs: int,
        timeout_s: float,
        memory: int = 0,
        work: str = WORK,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self._jobs = jobs
        self._timeout_s = timeout_s
        self._memory = memory
        self._work = work
        self._stop = stop
        self._done: queue.SimpleQueue[tuple[Slot, Answer | None]] = queue.SimpleQueue()
        self._idle: list[Slot] = []
        self._busy: dict[Slot, tuple[Ticket, Task, float]] = {}
        self._false_starts = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Kill every worker; none is left when this returns."""
        slots = [*self._idle, *self._busy]
        for slot in slots:
            slot.kill("closed")
        for slot in slots:
            slot.close()
        self._idle.clear()
        self._busy.clear()

    @property
    def processes(self) -> list[int]:
        """The workers' process numbers."""
        return [slot.process.pid for slot in (*self._idle, *self._busy)]

    def run(self, tasks: Iterator[tuple[Ticket, Task]]) -> Iterator[tuple[Ticket, Answer]]:
        """Yield the answer to every task as it comes, in no order.

        A task is taken from `tasks` only when a worker is free, so at most `jobs` are in memory;
        the worker has its next task before the answer is handed out.
        """
        more = self._fill(tasks, more=True)
        while self._busy and not self._stop():
            finished = self._next_finished()
            if finished is not None:
                more = self._fill(tasks, more=more)
                yield finished
        if self._stop():
            self.close()

    def _fill(self, tasks: Iterator[tuple[Ticket, Task]], *, more: bool) -> bool:
        """Give work to every free slot; return whether there may be more."""
        while more and len(self._busy) < self._jobs and not self._stop():
            item = next(tasks, None)
            if item is None:
                return False
            self._start(*item)
        return more

    def _start(self, ticket: Ticket, task: Task) -> None:
        self._idle = [slot for slot in self._idle if slot.process.poll() is None]
        fresh = not self._idle
        slot = Slot(self._work, self._memory, self._done) if fresh else self._idle.pop()
        limit = self._timeout_s + (START_S if fresh else 0)
        self._busy[slot] = ticket, task, time.monotonic() + limit
        slot.send(task)

    def _next_finished(self) -> tuple[Ticket, Answer] | None:
        """Wait for one answer or death, at most a tick; kill what is over its time."""
        now = time.monotonic()
        for slot, (_, _, deadline) in self._busy.items():
            if now > deadline and not slot.ended_by_us:
                slot.kill("timeout")
        try:
            slot, answer = self._done.get(timeout=TICK_S)
        except queue.Empty:
            return None
        if answer is not None:
            self._false_starts = 0
            ticket, _, _ = self._busy.pop(slot)
            self._idle.append(slot)
            return ticket, answer
        if slot not in self._busy:  # died of its own accord while idle
            return None
        ticket, task, _ = self._busy.pop(slot)
        if not slot.ready and not slot.ended_by_us:
            self._count_false_start()
            self._start(ticket, task)
            return None
        return ticket, self._obituary(slot)

    def _count_false_start(self) -> None:
        self._false_starts += 1
        if self._false_starts >= _START_TRIES * self._jobs:
            raise TracerError(
                "worker processes do not start", hint="try --jobs 1; if it stays, please report"
            )

    def _obituary(self, slot: Slot) -> Answer:
        if slot.ended_by_us == "timeout":
            return failed(
                "E_TIMEOUT",
                f"took longer than {self._timeout_s:g} s",
                "use a smaller or cleaner artwork, or a larger --timeout",
            )
        code = slot.process.returncode
        how = f"killed by signal {-code}" if code < 0 else f"ended with status {code}"
        if code == -9:
            return failed(
                "E_MEMORY",
                f"its worker was killed by the system ({how}), likely for want of memory",
                "use a smaller artwork, or fewer --jobs",
            )
        return failed("E_CRASH", f"the reader crashed on this file ({how})", "export it anew")
