"""A whole set: every artwork worked once, written whole, and accounted for."""

import os
import re
import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path

from tracer.batch.contact import contact_pages
from tracer.batch.lock import locked
from tracer.batch.plan import Entry, Plan, Wishes
from tracer.batch.progress import Log, Progress
from tracer.batch.rows import (
    Row,
    State,
    done_row,
    failed_row,
    is_done,
    key_of,
    load_reports,
    waiting_row,
)
from tracer.batch.scale import settled_pitch
from tracer.batch.slots import WORK, SlotPool, memory_bytes
from tracer.batch.summary import summary_csv, summary_json
from tracer.batch.task import Answer, Ask, Pool, Task, failure_of
from tracer.bounds import TIME, largest_file
from tracer.errors import InputError, OutputError, Status, UsageError
from tracer.files import is_ours, output_error, remove_stale_parts, write_files
from tracer.names import shown_name
from tracer.raster.open import load_file
from tracer.settings import Settings, Size, SizeBy
from tracer.write.report import report_text


@dataclass(frozen=True, slots=True)
class Running:
    """How a set is worked, apart from what is asked of each artwork."""

    jobs: int = 0  # 0: all cores
    timeout_s: float = TIME.value
    again: bool = False
    overwrite: bool = False
    scheduler: str = ""
    work: str = WORK


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a set."""

    rows: tuple[Row, ...]
    status: Status
    fault: OutputError | None  # what stopped the run
    reused: int  # artworks that an earlier run had done
    left_over: tuple[str, ...] = ()  # outputs of artworks that are no longer in the set


def run_batch(
    plan: Plan,
    out: Path,
    title: str,
    wishes: Wishes,
    running: Running,
    *,
    progress: Progress | None = None,
    stopped: Callable[[], int] = lambda: 0,
) -> Outcome:
    """Work a plan and write everything into a folder.

    Outputs appear whole or not at all. What an earlier run did for the same content, settings and
    version is kept. The index and the summaries are written at the end, also when the run is
    stopped; they depend on the artworks alone, not on how often the run was interrupted.

    Parameters
    ----------
    plan
        What to do.
    out
        Folder to write to; created if its parent exists.
    title
        Name of the set for people.
    wishes
        What was asked of every artwork; needed for a common scale.
    running
        Workers, time limit, what to redo.
    progress
        Told of every artwork.
    stopped
        Number of the signal that wants the run to end, 0 for none.

    Raises
    ------
    OutputError
        The folder cannot be written, or another run holds it; nothing was started.
    """
    try:
        out.mkdir(exist_ok=True)
    except OSError as error:
        raise output_error(error, out) from None
    progress = progress or Progress(len(plan.entries), quiet=True, log=Log(None))
    with locked(out):
        _check_free(out, overwrite=running.overwrite)
        run = _Run(plan, out, running, progress, stopped)
        for folder in run.folders():
            remove_stale_parts(folder)
        run.work_all(wishes)
        run.write_index(title)
        progress.clear()
        return run.outcome()


_PAGE = re.compile(r"index-\d+\.html")


def _check_free(out: Path, *, overwrite: bool) -> None:
    """Refuse before the work what would be refused after it."""
    for name in ("index.html", "summary.csv", "summary.json"):
        path = out / name
        if os.path.lexists(path) and not (is_ours(path) or (overwrite and path.is_file())):
            raise OutputError(
                "is there already and was not made by this tool",
                hint="choose another --out, or --overwrite",
                code="E_EXISTS",
                subject=shown_name(path),
            )


class _Run:
    """The state of a run: a row for each artwork, and what is known to be equal."""

    def __init__(
        self,
        plan: Plan,
        out: Path,
        running: Running,
        progress: Progress,
        stopped: Callable[[], int],
    ) -> None:
        self.entries = list(plan.entries)
        self.rows = [waiting_row(entry) for entry in plan.entries]
        self._plan = plan
        self._out = out
        self._real_out = out.resolve()
        self._running = running
        self._progress = progress
        self._stopped = stopped
        self._keys: dict[int, str] = {}
        self._first: dict[str, int] = {}  # the artwork that is worked for all of equal key
        self._copies: list[int] = []
        self._starved: list[int] = []
        self._reused = 0
        self._fault: OutputError | None = None
        self._unwritten = False

    def folders(self) -> list[Path]:
        """Return the folders written to that are there."""
        names = {entry.stem.rpartition("/")[0] for entry in self.entries if entry.stem}
        folders = (self._out / name for name in sorted(names | {""}))
        return [folder for folder in folders if folder.is_dir()]

    def work_all(self, wishes: Wishes) -> None:
        """Work every artwork once, those that starved again alone, then copy the equal ones."""
        try:
            self._work_each(wishes)
        except OutputError as error:  # the cluster is gone; what is done stays
            self._fault = error

    def _work_each(self, wishes: Wishes) -> None:
        with self._pool() as pool:
            if self._plan.same_scale and wishes.settings.size.by is not SizeBy.PITCH:
                self._settle_pitch(pool, wishes)
            for number, answer in pool.run(self._tasks()):
                self._take(number, answer)
        if self._starved and not self._ending():
            again, self._starved = self._starved, []
            with self._pool(alone=True) as pool:
                for number, answer in pool.run(self._load_all(again, Ask.WORK)):
                    self._take(number, answer, last=True)
        for number in self._copies:
            if self._ending():
                break
            self._copy(number)

    def write_index(self, title: str) -> None:
        """Write the pages and tables of the whole set."""
        written = set()
        try:
            for name, text in self._whole_set(title):
                write_files(
                    {self._out / name: text},
                    inputs=self._plan.inputs,
                    overwrite=self._running.overwrite,
                )
                written.add(name)
        except OutputError as error:
            self._fault = self._fault or error
            return
        for old in self._out.glob("index-*.html"):  # of a set that was larger
            if _PAGE.fullmatch(old.name) and old.name not in written and is_ours(old):
                old.unlink(missing_ok=True)

    def _whole_set(self, title: str) -> Iterator[tuple[str, str]]:
        yield from contact_pages(self.rows, self._out, title)
        yield "summary.csv", summary_csv(self.rows)
        yield "summary.json", summary_json(self.rows, title)

    def outcome(self) -> Outcome:
        """Return what became of it all."""
        return Outcome(
            tuple(self.rows), self._status(), self._fault, self._reused, self._left_over()
        )

    def _left_over(self) -> tuple[str, ...]:
        """Return the reports of artworks that were renamed or taken away; they are only told."""
        if any(row.state is State.WAITING for row in self.rows):
            return ()
        ours = {name for row in self.rows for name in row.files}
        ours |= {f"{row.stem}.json" for row in self.rows} | {"summary.json"}
        found = (path.relative_to(self._out).as_posix() for path in self._out.rglob("*.json"))
        return tuple(sorted(n for n in found if n not in ours and is_ours(self._out / n)))

    def _status(self) -> Status:
        if number := self._stopped():
            return Status.TERMINATED if number == signal.SIGTERM else Status.INTERRUPTED
        if self._fault or self._unwritten:
            return Status.NOT_WRITTEN
        states = {Status(row.status) for row in self.rows}
        if states - {Status.DONE, Status.PLACES_OPEN}:
            return Status.ARTWORK_FAILED
        return max(states, default=Status.DONE)

    def _pool(self, *, alone: bool = False) -> "AbstractContextManager[Pool]":
        running = self._running
        if running.scheduler and not alone:
            from tracer.batch.cluster import ClusterPool

            return ClusterPool(
                running.scheduler,
                timeout_s=running.timeout_s,
                work=running.work,
                stop=self._ending,
            )
        jobs = 1 if alone else running.jobs or cores()
        return SlotPool(
            jobs=jobs,
            timeout_s=running.timeout_s,
            memory=memory_bytes(jobs),
            work=running.work,
            stop=self._ending,
        )

    def _ending(self) -> bool:
        return bool(self._stopped()) or self._fault is not None

    def _settle_pitch(self, pool: Pool, wishes: Wishes) -> None:
        """Find the pitch at which the whole set keeps its proportions, and give it to all."""
        numbers = [entry.number for entry in self.entries if entry.problem is None]
        extents = {
            number: answer["extent"]
            for number, answer in pool.run(self._load_all(numbers, Ask.EXTENT))
            if "extent" in answer
        }

        def load(number: int, size: Size) -> Task | None:
            entry = self.entries[number]
            task = self._load(entry, replace(entry.settings, size=size))
            return None if task is None else replace(task, box=None)

        pitch = settled_pitch(pool, load, extents, wishes, self._ending)
        if pitch is not None:
            self.entries = [
                replace(entry, box=None, settings=replace(entry.settings, size=pitch))
                for entry in self.entries
            ]

    def _load(self, entry: Entry, settings: Settings | None = None) -> Task | None:
        """Return the task of an artwork; None, and its row filled in, if it cannot be read."""
        try:
            data = load_file(entry.path, largest_file(entry.settings.ink.max_pixels))
        except InputError as error:
            if settings is None:
                self._set(failed_row(entry, failure_of(error)["failure"]), worked=False)
            return None
        return Task(
            data,
            entry.path.name,
            settings or entry.settings,
            box=entry.box,
            process_text=entry.process_text,
            piece=entry.piece,
        )

    def _load_all(self, numbers: list[int], ask: Ask) -> Iterator[tuple[int, Task]]:
        for number in numbers:
            entry = self.entries[number]
            task = self._load(entry, entry.settings if ask is Ask.EXTENT else None)
            self._progress.working(entry.shown)
            if task is not None:
                yield number, replace(task, ask=ask)

    def _tasks(self) -> Iterator[tuple[int, Task]]:
        """Yield what has to be worked; settle at once what has not."""
        for entry in self.entries:
            if self._ending():
                return
            if entry.problem is not None:
                self._set(failed_row(entry, failure_of(entry.problem)["failure"]), worked=False)
                continue
            task = self._load(entry)
            if task is None:
                continue
            key = key_of(task.data, entry, entry.settings)
            self._keys[entry.number] = key
            first = self._first.setdefault(key, entry.number)
            if first != entry.number:
                self._copies.append(entry.number)
            elif not self._kept(entry, key, same_as=""):
                self._progress.working(entry.shown)
                yield entry.number, task

    def _kept(self, entry: Entry, key: str, *, same_as: str) -> bool:
        """Take over what an earlier run did, if it did exactly this."""
        if self._running.again:
            return False
        reports = load_reports(self._out, entry.stem)
        if not is_done(self._out, entry, key, reports):
            return False
        record = reports[0]["record"]
        if record.get("same_as", "") != same_as:
            return False
        self._reused += 1
        self._set(done_row(entry, reports, record["files"]), worked=False)
        return True

    def _take(self, number: int, answer: Answer, *, last: bool = False) -> None:
        """Write down what came back for an artwork."""
        entry = self.entries[number]
        if "failure" in answer:
            if answer["failure"]["code"] == "E_MEMORY" and not last:
                self._starved.append(number)
            else:
                self._set(failed_row(entry, answer["failure"]))
            return
        record: dict[str, object] = {
            "key": self._keys[number],
            "source": entry.shown,
            "files": sorted(entry.stem + suffix for suffix in answer["texts"]),
            "thumbnail": answer.get("picture", ""),
        }
        if "piece" in answer:
            record["piece"] = answer["piece"]
        self._write(entry, answer["texts"], answer["reports"], record)

    def _copy(self, number: int) -> None:
        """Give an artwork that equals another one the files of that."""
        entry = self.entries[number]
        source = self.entries[self._first[self._keys[number]]]
        row = self.rows[source.number]
        if row.state is State.FAILED:
            failure = failure_of(InputError(row.message, hint=row.hint, code=row.code))["failure"]
            failure["status"] = row.status
            self._set(failed_row(entry, failure, same_as=source.shown), worked=False)
            return
        if row.state is State.WAITING:
            return
        if self._kept(entry, self._keys[number], same_as=source.shown):
            return
        reports = load_reports(self._out, source.stem)
        texts = {
            name.removeprefix(source.stem): (self._out / name).read_bytes().decode()
            for name in row.files
        }
        record = dict(reports[0].pop("record"))
        record |= {
            "source": entry.shown,
            "files": sorted(entry.stem + suffix for suffix in texts),
            "same_as": source.shown,
        }
        for report in reports:
            report["artwork"]["file"] = shown_name(entry.path.name)
        self._write(entry, texts, reports, record)

    def _write(
        self,
        entry: Entry,
        texts: Mapping[str, str | bytes],
        reports: list[dict[str, object]],
        record: dict[str, object],
    ) -> None:
        """Write the files of an artwork, the report with the record last."""
        seals = [".json"] if len(reports) == 1 else [f"-{n + 1}.json" for n in range(len(reports))]
        reports = [{**reports[0], "record": record}, *reports[1:]]
        sealed = dict(zip(seals, map(report_text, reports), strict=True))
        order = [*(suffix for suffix in texts if suffix not in sealed), *reversed(seals)]
        whole = {**texts, **sealed}
        files = {self._out / (entry.stem + suffix): whole[suffix] for suffix in order}
        try:
            self._make_room(self._out / entry.stem)
            write_files(files, inputs=[entry.path], overwrite=self._running.overwrite)
        except OutputError as error:
            self._not_written(entry, error)
            return
        self._set(done_row(entry, reports, record["files"]))  # type: ignore[arg-type] # built above

    def _make_room(self, path: Path) -> None:
        """Create the folder of an output; refuse one that a link leads out of ours.

        Ours is not created again: where it vanished, a disk was unplugged or somebody moved it.
        """
        if not self._out.is_dir():
            raise OutputError("is gone", hint="was it moved?", subject=shown_name(self._out))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            inside = path.parent.resolve().is_relative_to(self._real_out)
        except OSError as error:
            raise output_error(error, path.parent) from None
        if not inside:
            raise OutputError("leads out of the output folder", subject=shown_name(path.parent))

    def _not_written(self, entry: Entry, error: OutputError) -> None:
        """Note that an artwork could not be written; stop if nothing else will be either."""
        self._unwritten = True
        failure = failure_of(error)["failure"]
        self._set(failed_row(entry, failure))
        if error.code == "E_DISKFULL" or not os.access(self._out, os.W_OK | os.X_OK):
            self._fault = error

    def _set(self, row: Row, *, worked: bool = True) -> None:
        self.rows[row.number] = row
        self._progress.finished(row, worked=worked)


def cores() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def check_running(running: Running) -> None:
    """Refuse what cannot be run, before anything is started."""
    if running.scheduler:
        from tracer.batch.cluster import check_address

        check_address(running.scheduler)
    if not running.timeout_s > 0:
        raise UsageError("must be above 0", subject="--timeout")
