"""The same work on a Dask cluster: contents travel, workers need no shared disk.

Inside a task the artwork is worked in a process of its own, started with `subprocess`: a Dask
worker may not have children of `multiprocessing`, and a crash must not take the worker with it.
Writing is done here alone, so a task that runs twice changes nothing.
"""

import io
import logging
import pickle
import queue
import re
import threading
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, Self

from tracer import __version__
from tracer.batch.slots import TICK_S, WORK, SlotPool
from tracer.batch.task import Answer, Task, failed
from tracer.batch.worker import PlainUnpickler
from tracer.errors import OutputError, UsageError
from tracer.names import shown_name

REACH_S = 8.0
"""Time for scheduler and workers to answer before the run gives up."""

LOST_S = 30.0
"""Time without a scheduler, or without any worker, before a running set gives up."""

TRIES = 3
"""How often an artwork is sent when the workers that had it were lost."""

_ADDRESS = re.compile(r"(tcp|tls|ucx)://(\[[0-9a-fA-F:]+\]|[^\s:/]+):([0-9]{1,5})")
_held = threading.local()


def check_address(address: str) -> None:
    """Refuse what is no address of a scheduler, or any if the extra is not installed.

    Raises
    ------
    UsageError
        Code E_CLUSTER.
    """
    match = _ADDRESS.fullmatch(address)
    if match is None or not 0 < int(match[3]) < 1 << 16:
        raise UsageError(
            f'"{shown_name(address)[:60]}" is not the address of a scheduler',
            hint="such as tcp://192.168.1.20:8786",
            subject="--scheduler",
            code="E_CLUSTER",
        )
    try:
        import distributed  # noqa: F401 - an extra
    except ImportError:
        raise UsageError(
            "needs the package distributed",
            hint='pip install "tracer[cluster]"',
            subject="--scheduler",
            code="E_CLUSTER",
        ) from None


def run_here(task: bytes, work: str, timeout_s: float) -> bytes:
    """Work one artwork on this machine of the cluster; runs inside a Dask task.

    Each thread of the Dask worker keeps one process of its own, so start-up is paid once.
    """
    if getattr(_held, "asked", None) != (work, timeout_s):
        if (old := getattr(_held, "pool", None)) is not None:
            old.close()
        _held.asked = work, timeout_s
        _held.pool = SlotPool(jobs=1, timeout_s=timeout_s, work=work)
    # From our own client: whoever may send tasks to a cluster may run code on it anyway.
    item = (0, pickle.loads(task))  # noqa: S301 - from our own process
    [(_, answer)] = _held.pool.run(iter([item]))
    return pickle.dumps(answer)


def version_here() -> str:
    """Return the version of the package on a machine of the cluster."""
    return __version__


class ClusterPool:
    """Runs tasks on the workers of a Dask scheduler; see `SlotPool` for the one at home."""

    def __init__(
        self,
        address: str,
        *,
        timeout_s: float,
        work: str = WORK,
        stop: Callable[[], bool] = lambda: False,
    ) -> None:
        self._address = address
        self._timeout_s = timeout_s
        self._work = work
        self._stop = stop
        self._client: Any = None
        self._done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._flying: dict[str, tuple[int, bytes, Any]] = {}
        self._tries: dict[int, int] = {}
        self._looked = self._well = 0.0
        self._room = 1

    def __enter__(self) -> Self:
        import dask
        import distributed

        for name in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)  # what goes wrong is said by us
        dask.config.set({"distributed.admin.large-graph-warning-threshold": "2GB"})
        try:
            self._client = distributed.Client(self._address, timeout=REACH_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError, RuntimeError) as error:
            raise self._lost("no scheduler answers", "is it running, and the port open?") from error
        self._check_workers()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._client is None:
            return
        try:
            if self._flying:
                self._client.cancel([future for _, _, future in self._flying.values()], force=True)
            self._client.close(timeout=2)
        except Exception:
            logging.getLogger(__name__).debug("closing the client failed", exc_info=True)

    def run(self, tasks: Iterator[tuple[int, Task]]) -> Iterator[tuple[int, Answer]]:
        """Yield the answer to every task as it comes.

        Twice as many tasks are on their way as the cluster has threads; the others are not read.

        Raises
        ------
        OutputError
            Code E_CLUSTER: scheduler or workers were lost and did not come back.
        """
        more = True
        self._well = time.monotonic()
        while not self._stop():
            self._look()
            while more and len(self._flying) < self._room:
                item = next(tasks, None)
                if item is None:
                    more = False
                else:
                    self._send(item[0], pickle.dumps(item[1]))
            if not self._flying:
                return
            try:
                future = self._done.get(timeout=TICK_S)
            except queue.Empty:
                continue
            if (finished := self._landed(future)) is not None:
                yield finished

    def _send(self, number: int, task: bytes) -> None:
        future = self._client.submit(
            run_here, task, self._work, self._timeout_s, pure=False, retries=0
        )
        self._flying[future.key] = number, task, future
        future.add_done_callback(self._done.put)

    def _landed(self, future: Any) -> tuple[int, Answer] | None:
        if future.key not in self._flying:
            return None
        number, task, _ = self._flying.pop(future.key)
        try:
            answer: Answer = PlainUnpickler(io.BytesIO(future.result(timeout=60))).load()
        except Exception as error:  # noqa: BLE001 - whatever a cluster can go wrong with
            tries = self._tries[number] = self._tries.get(number, 1) + 1
            if tries <= TRIES:
                self._send(number, task)
                return None
            why = f"the cluster lost it {TRIES} times ({type(error).__name__})"
            return number, failed("E_CRASH", why, "try it without --scheduler")
        return number, answer

    def _look(self) -> None:
        """Look every two seconds whether the cluster is well; give up when it is gone for long."""
        now = time.monotonic()
        if now - self._looked < 2:
            return
        self._looked = now
        threads = 0
        if self._client.status == "running":
            try:
                threads = sum(self._client.nthreads().values())
            except Exception:  # noqa: BLE001 - no answer is an answer
                threads = 0
        if threads:
            self._well, self._room = now, 2 * threads
        elif now - self._well > LOST_S:
            gone = "all workers are gone" if self._client.status == "running" else "is gone"
            raise self._lost(gone, "run again to do the rest")

    def _check_workers(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=REACH_S)
        except Exception as error:
            raise self._lost("has no workers", f"dask worker {self._address}") from error
        try:
            versions = set(self._client.run(version_here).values())
        except Exception as error:
            hint = f"install tracer {__version__} on every machine"
            raise self._lost("a worker cannot load this package", hint) from error
        if versions != {__version__}:
            other = shown_name(", ".join(sorted(map(str, versions - {__version__}))))
            raise self._lost(
                f"a worker has version {other}, here is {__version__}", "install the same version"
            )

    def _lost(self, message: str, hint: str) -> OutputError:
        return OutputError(message, hint=hint, subject=self._address, code="E_CLUSTER")
