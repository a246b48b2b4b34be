"""One killable process a slot: whatever a worker does costs its own artwork and no other."""

import os
import pickle
import signal
import time
from pathlib import Path

import pytest

from tests.batch.sets import WISHES
from tracer.batch.slots import SlotPool, memory_bytes
from tracer.batch.task import Answer, Task
from tracer.batch.worker import read_answer, write_frame

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")


def task(content: str) -> Task:
    return Task(content.encode(), "x.png", WISHES.settings)


def answers(contents: list[str], *, jobs: int = 2, timeout_s: float = 30.0) -> dict[int, Answer]:
    with SlotPool[int](
        jobs=jobs, timeout_s=timeout_s, memory=memory_bytes(jobs), work="tests.batch.jobs:run"
    ) as pool:
        return dict(pool.run((n, task(content)) for n, content in enumerate(contents)))


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ("REFUSE", "E_TRUNCATED"),
        ("FAULT", "E_INTERNAL"),
        ("STARVE", "E_MEMORY"),
        ("CRASH", "E_CRASH"),
        ("KILL", "E_MEMORY"),
        ("LEAVE", "E_CRASH"),
        ("HARD-LEAVE", "E_CRASH"),
    ],
)
def test_costs_its_file_and_no_other(content: str, code: str) -> None:
    found = answers(["a", "b", content, "c", "d"])
    assert sorted(found) == [0, 1, 2, 3, 4]
    assert found[2]["failure"]["code"] == code
    assert all("failure" not in found[n] for n in (0, 1, 3, 4))


@pytest.mark.slow
@pytest.mark.parametrize("content", ["HANG", "STOP"])
def test_over_its_time(content: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracer.batch.slots.START_S", 3.0)
    found = answers(["a", content, "b"], timeout_s=1.0)
    assert found[1]["failure"]["code"] == "E_TIMEOUT"
    assert "failure" not in found[0]
    assert "failure" not in found[2]


def test_noise_of_a_library_on_both_streams_does_no_harm() -> None:
    assert "failure" not in answers(["CHATTER"])[0]


def test_start_up_is_paid_once_a_worker() -> None:
    with SlotPool[int](jobs=1, timeout_s=30, work="tests.batch.jobs:run") as pool:
        seen = set()
        for _ in pool.run((n, task(f"art {n}")) for n in range(5)):
            seen.update(pool.processes)
    assert len(seen) == 1


def test_no_worker_is_left() -> None:
    with SlotPool[int](jobs=2, timeout_s=30, work="tests.batch.jobs:run") as pool:
        run = pool.run((n, task("HANG" if n else "a")) for n in range(3))
        next(run)
        workers = pool.processes
        assert len(workers) == 2
    for worker in workers:
        with pytest.raises(ProcessLookupError):
            os.kill(worker, 0)


@pytest.mark.slow
def test_asked_to_stop_it_stops_at_once() -> None:
    began = time.monotonic()
    with SlotPool[int](
        jobs=1,
        timeout_s=60,
        work="tests.batch.jobs:run",
        stop=lambda: time.monotonic() - began > 1.5,
    ) as pool:
        assert list(pool.run(iter([(0, task("HANG"))]))) == []
        assert pool.processes == []
    assert time.monotonic() - began < 10


def test_tasks_are_taken_only_when_a_worker_is_free() -> None:
    taken = []

    def tasks() -> object:
        for number in range(20):
            taken.append(number)
            yield number, task(f"art {number}")

    with SlotPool[int](jobs=2, timeout_s=30, work="tests.batch.jobs:run") as pool:
        for done, _ in enumerate(pool.run(tasks()), start=1):  # type: ignore[arg-type] # a generator of tasks will do
            assert len(taken) <= done + 2


def test_a_worker_killed_while_idle_costs_nothing() -> None:
    with SlotPool[int](jobs=1, timeout_s=30, work="tests.batch.jobs:run") as pool:
        assert len(list(pool.run(iter([(0, task("a"))])))) == 1
        os.kill(pool.processes[0], signal.SIGKILL)
        time.sleep(0.3)
        [(_, answer)] = pool.run(iter([(1, task("b"))]))
        assert "failure" not in answer


def test_an_answer_can_run_no_code(tmp_path: Path) -> None:
    """The stream of a worker that was taken over; the planted call must not happen."""

    class Planted:
        def __reduce__(self) -> tuple[object, ...]:
            return Path.touch, (tmp_path / "ran",)

    path = tmp_path / "frame"
    with path.open("wb") as out:
        write_frame(out, {"texts": Planted()})
    assert isinstance(pickle.loads(path.read_bytes()[8:]), dict)  # the ruler: it would run
    assert (tmp_path / "ran").exists()
    (tmp_path / "ran").unlink()
    with path.open("rb") as stream, pytest.raises(pickle.UnpicklingError):
        read_answer(stream)
    assert not (tmp_path / "ran").exists()
