"""Sets of artworks for the tests, and what is asked of them."""

from pathlib import Path

from tracer.batch.plan import Wishes, make_plan
from tracer.batch.rows import Row
from tracer.batch.run import Outcome, Running, run_batch
from tracer.settings import Settings, Size, SizeBy

WISHES = Wishes(Settings(Size(SizeBy.WIDTH, 40.0)), sized=True)


def work_set(source: Path, out: Path, wishes: Wishes = WISHES, **running: object) -> Outcome:
    """Work a set with the stand-in for the work."""
    how: dict[str, object] = {"jobs": 2, "timeout_s": 30.0, "work": "tests.batch.jobs:run"}
    plan = make_plan(source, out, wishes)
    return run_batch(plan, out, "set", wishes, Running(**(how | running)))  # type: ignore[arg-type] # options by name


def by_name(outcome: Outcome) -> dict[str, Row]:
    return {row.shown: row for row in outcome.rows}


def tree(folder: Path) -> dict[str, bytes]:
    """Return the content of every file under a folder, and a mark for everything else."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else b"(folder)"
        for path in sorted(folder.rglob("*"))
    }
