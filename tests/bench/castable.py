"""Sweep: drawn icons at several sizes, in every process and role, through the whole pipeline.

    python -m tests.bench.castable [--limit N] [--pixels P] [--sizes MM...] [--only WORD]
        [--each K] [--seed S] [--sheet FILE.png]

All of it is 36 runs a drawing. With `--each K` every drawing is worked K times, at sizes,
processes and roles that go round from drawing to drawing so that each comes up equally often.

For each run it asks of the *written* drawing:
* is there a place below its limit that no open finding owns up to? (must be none)
* is the drawing valid, no outline crossing itself or another?
* how much area did the repair change away from every finding? (below 0.1 %)
* how many findings stay open, and where did the time go?

The measuring is `verify_drawing`, which `tests/rules/test_verify.py` holds to closed forms. Exit
status 1 when one of the promises is broken.
"""

import argparse
import itertools
import sys
import time
import traceback
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path

import shapely

from tests.bench.castable_sheet import write_sheet
from tests.drawings import mixed
from tracer.errors import TracerError
from tracer.model import Result, Width
from tracer.pipeline import Job, Traced, size_and_mend, trace_pixels
from tracer.process import load_process, process_names
from tracer.rules.verify import verify_drawing
from tracer.settings import Role, Settings, Size, SizeBy
from tracer.write.svg_read import read_svg

SIZES_MM = (25.0, 40.0, 60.0)
MOST_OUTSIDE = 0.001
SHOWN = 12
STEP = 7
"""Through the list of sizes, processes and roles: with no divisor in common with its length."""


@dataclass(frozen=True)
class Run:
    """What one run gave."""

    name: str
    result: Result
    hidden: tuple[
        tuple[str, Width], ...
    ]  # below the limit, owned by no open finding; mm as `drawn`
    outside: float  # share of the area changed away from findings


@dataclass
class Clock:
    """Processor time by stage."""

    spent: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    stage: str = ""
    since: float = 0.0

    def __call__(self, stage: str) -> None:
        """Begin a stage; the one before ends."""
        now = time.process_time()
        if self.stage:
            self.spent[self.stage] += now - self.since
        self.stage, self.since = stage, now


def judged(name: str, result: Result) -> Run:
    """Measure one result afresh from its SVG text."""
    written = read_svg(result.svg)
    verified = verify_drawing(
        written, result.settings.role, result.limits, grade=result.settings.grade
    )
    left, bottom, _, _ = result.fitted.drawing.bounds  # the page begins there
    opened = [f for f in result.mended.findings if f.status != "fixed"]
    owned = shapely.union_all([shapely.make_valid(g) for f in opened for g in (f.place, f.changed)])
    hidden = []
    for side, width in verified.below:
        x, y = width.at[0] + left, width.at[1] + bottom
        reach = getattr(result.limits, side).at(result.settings.grade)
        if owned.is_empty or owned.distance(shapely.Point(x, y)) > reach:
            hidden.append((side, replace(width, at=(x, y))))
    return Run(name, result, tuple(hidden), changed_outside(result))


def changed_outside(result: Result) -> float:
    """Return the share of the area that the repair changed away from what findings claim."""
    changed = shapely.symmetric_difference(result.drawn, result.mended.region)
    claimed = [shapely.make_valid(g) for f in result.mended.findings for g in (f.place, f.changed)]
    if claimed:
        # what a finding claims is known to the tolerance of the fit
        changed = changed.difference(shapely.union_all(claimed).buffer(result.tolerance_mm))
    return float(changed.area / result.drawn.area)


@dataclass
class Sweep:
    """What the runs so far gave; an interrupt (Ctrl-C) ends the sweep and still reports."""

    runs: list[Run] = field(default_factory=list)
    counts: Counter[str] = field(default_factory=Counter)
    clock: Clock = field(default_factory=Clock)

    def work(self, options: argparse.Namespace) -> None:
        """Work every drawing at every size, process and role."""
        processes = [p for p in process_names() if p != "as-drawn"]
        every = list(itertools.product(options.sizes, processes, Role))
        each = options.each or len(every)
        base = Settings(Size(SizeBy.WIDTH, SIZES_MM[0]))
        for number, drawing in enumerate(mixed(options.limit, options.seed)):
            png = drawing.png(options.pixels)
            [traced, *_] = trace_pixels(png, drawing.name, base, progress=self.clock)
            for k in range(number * each, (number + 1) * each):
                size, process, role = every[k * STEP % len(every)]
                name = f"{drawing.name} {size:g} mm {process} {role}"
                if options.only not in name:
                    continue
                settings = replace(base, size=Size(SizeBy.WIDTH, size), process=process, role=role)
                run = one(name, traced, settings, self.counts, self.clock)
                if run is not None:
                    self.runs.append(lean(run))
            print(f"{number + 1} drawings, {len(self.runs)} runs", file=sys.stderr)


def one(
    name: str, traced: Traced, settings: Settings, counts: Counter[str], clock: Clock
) -> Run | None:
    """Work one run; None where the artwork is refused at that size."""
    job = Job(settings, load_process(settings.process), False, None, clock)
    try:
        result = size_and_mend(traced, job)
        clock("judging (not ours)")
        run = judged(name, result)
    except TracerError as error:
        counts[f"refused {error.code}"] += 1
        print(f"refused {name}: {error}")
        return None
    except Exception:  # noqa: BLE001 - a fault is counted and shown, and the sweep goes on
        counts["FAULTS"] += 1
        print(f"FAULT {name}", traceback.format_exc(limit=-3), sep="\n")
        return None
    counts["runs"] += 1
    counts["findings"] += len(result.mended.findings)
    counts["open findings"] += sum(f.status != "fixed" for f in result.mended.findings)
    counts["findings of invalid geometry"] += sum(
        not (f.place.is_valid and f.changed.is_valid) for f in result.mended.findings
    )
    counts["places hidden"] += len(run.hidden)
    counts["runs with hidden places"] += bool(run.hidden)
    counts["runs with a hidden width of 0"] += any(width.mm == 0 for _, width in run.hidden)
    counts["runs over-repaired"] += run.outside > MOST_OUTSIDE
    for side, _ in run.hidden:
        counts[f"hidden: {side}"] += 1
    return run


def badness(run: Run) -> tuple[int, float]:
    """Sort key: the worst last."""
    return len(run.hidden), run.outside


def lean(run: Run) -> Run:
    """Drop the pixels, so that thousands of results fit into memory."""
    small = replace(run.result.coverage, values=run.result.coverage.values[:1, :1])
    return replace(run, result=replace(run.result, coverage=small))


def report(runs: list[Run], counts: Counter[str], clock: Clock) -> bool:
    """Print the table; return whether every promise was kept."""
    for name, count in sorted(counts.items()):
        print(f"{name:32} {count}")
    total = max(counts["runs"], 1)
    print("\nprocessor time a run, ms")
    for stage, seconds in clock.spent.items():
        print(f"  {stage:30} {1000 * seconds / total:8.1f}")
    outside = sorted(run.outside for run in runs)
    if outside:
        print(
            f"\narea changed away from findings: median {outside[len(outside) // 2]:.5%}, ", end=""
        )
        print(f"largest {outside[-1]:.4%}, target 0.1 %")
    print("\nworst")
    for run in sorted(runs, key=badness)[::-1][:SHOWN]:
        if not run.hidden and run.outside <= MOST_OUTSIDE:
            break
        places = ", ".join(
            f"{side} {w.mm:.3f} at ({w.at[0]:.2f}, {w.at[1]:.2f})" for side, w in run.hidden[:4]
        )
        print(f"  {run.name}: {len(run.hidden)} hidden, outside {run.outside:.4%}: {places}")
    return not (counts["places hidden"] or counts["FAULTS"] or counts["runs over-repaired"])


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--limit", type=int, default=102, help="number of drawings")
    parser.add_argument("--each", type=int, default=0, help="runs a drawing; 0: all")
    parser.add_argument("--seed", type=int, default=1, help="which drawings of the sets")
    parser.add_argument("--pixels", type=int, default=512)
    parser.add_argument("--sizes", type=float, nargs="+", default=SIZES_MM, help="mm")
    parser.add_argument("--only", default="", help="runs whose name holds this word")
    parser.add_argument("--sheet", type=Path, help="where to draw the worst runs (PNG)")
    options = parser.parse_args()
    sweep = Sweep()
    try:
        sweep.work(options)
    except KeyboardInterrupt:
        sweep.counts["INTERRUPTED"] = 1
    sweep.clock("")
    kept = report(sweep.runs, sweep.counts, sweep.clock)
    if options.sheet:
        write_sheet(sorted(sweep.runs, key=badness)[::-1][:SHOWN], options.sheet)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
