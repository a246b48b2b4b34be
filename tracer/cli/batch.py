"""`tracer batch`: a client's whole set, cleaned in one go."""

import argparse
import contextlib
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from tracer.bounds import TIME
from tracer.cli import options
from tracer.cli.plan import read_piece
from tracer.errors import Status, UsageError
from tracer.settings import Size, SizeBy
from tracer.units import SMALLEST_PIECE_MM, parse_length

if TYPE_CHECKING:
    from tracer.batch.plan import Plan, Wishes
    from tracer.batch.run import Outcome

EXAMPLE = """\
example:
  tracer batch signs --out cut --width 50mm --process pewter-silicone --role raised
  tracer batch jobs.csv --out cut   (a job sheet: file, width or height, process, role, plan, notes)
  tracer batch --template > jobs.csv
Open cut/index.html. Stopped or killed, the same command does the rest.
"""

MOST_JOBS = 256


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "batch",
        help="a whole folder or job sheet: an outline and report for each, and a contact sheet",
        description="Work a client's whole set: one outline, report and page for each artwork,"
        " a contact sheet and a summary.",
        epilog=EXAMPLE,
    )
    parser.add_argument(
        "source", metavar="FOLDER|JOBS", type=Path, nargs="?",
        help="folder of artworks, or a job sheet (.csv, .toml)",
    )  # fmt: skip
    parser.add_argument("--out", metavar="DIR", type=Path, help="folder to write to")
    parser.add_argument(
        "--template", nargs="?", const="csv", choices=["csv", "toml"],
        help="print an empty job sheet and stop",
    )  # fmt: skip
    group = parser.add_argument_group("set")
    group.add_argument(
        "--same-scale", action="store_true",
        help="one pitch for all: the largest gets the size, the others keep their proportion to it",
    )  # fmt: skip
    group.add_argument(
        "--fit", metavar="WxH", type=_box, help="each as large as fits into a box, such as 40x30mm"
    )
    group.add_argument("--again", action="store_true", help="redo what an earlier run did")
    group.add_argument(
        "--overwrite", action="store_true", help="replace files of another origin, too"
    )
    group = parser.add_argument_group("running")
    group.add_argument(
        "--jobs", metavar="N", type=options.whole("--jobs", 0, MOST_JOBS), default=0,
        help="worker processes, 0 for one a core (default: %(default)s)",
    )  # fmt: skip
    group.add_argument(
        "--timeout", metavar="S", type=options.number("--timeout", 1, 86400), default=TIME.value,
        help="seconds that one artwork may take (default: %(default)s)",
    )  # fmt: skip
    group.add_argument(
        "--scheduler", metavar="tcp://HOST:PORT", default="",
        help='work on a Dask cluster (needs the extra "cluster")',
    )  # fmt: skip
    group.add_argument("--quiet", action="store_true", help="print nothing but errors")
    group.add_argument("--log", metavar="FILE", type=Path, help="append a line for each artwork")
    options.add_size(parser)
    options.add_casting(parser)
    options.add_repairs(parser)
    options.add_fit(parser)
    options.add_ink(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    if args.template:
        from tracer.batch.sheet import TEMPLATE_CSV, TEMPLATE_TOML

        print(TEMPLATE_TOML if args.template == "toml" else TEMPLATE_CSV, end="")
        return int(Status.DONE)
    if args.source is None or args.out is None:
        missing = "no folder or job sheet given" if args.source is None else "no --out DIR given"
        raise UsageError(missing, hint="tracer batch FOLDER --out DIR --width 50mm")
    wishes = _wishes(args)

    from tracer.batch.plan import make_plan
    from tracer.batch.progress import Log, Progress
    from tracer.batch.run import Running, check_running, run_batch

    running = Running(
        jobs=args.jobs,
        timeout_s=args.timeout,
        again=args.again,
        overwrite=args.overwrite,
        scheduler=args.scheduler,
    )
    check_running(running)
    plan = make_plan(args.source, args.out, wishes, read_piece=read_piece)
    _check_log(args.log, plan)
    source = args.source.resolve()
    title = source.name if source.is_dir() else source.stem
    with _stop_on_signals() as stop, contextlib.closing(Log(args.log)) as log:
        progress = Progress(len(plan.entries), quiet=args.quiet, log=log)
        outcome = run_batch(plan, args.out, title, wishes, running, progress=progress, stopped=stop)
    _say(outcome, plan, args)
    return int(outcome.status)


def _wishes(args: argparse.Namespace) -> "Wishes":
    from tracer.batch.plan import Wishes

    size = options.size_from(args)
    if size is not None and args.fit is not None:
        raise UsageError(f"--{size.by} and --fit contradict each other", hint="give one of them")
    if args.same_scale and size is None and args.fit is None:
        raise UsageError(
            "--same-scale needs a size", hint="add --width, --height, --pitch or --fit"
        )
    if args.keep or args.keep_finding:
        option = "--keep" if args.keep else "--keep-finding"
        raise UsageError(
            "is about one artwork", hint="use `tracer outline` for that one", subject=option
        )
    settings = options.settings_from(args, size or Size(SizeBy.WIDTH, 1.0))
    return Wishes(settings, sized=size is not None, box=args.fit, same_scale=args.same_scale)


def _box(text: str) -> object:
    from tracer.batch.task import Box

    sides = text.lower().replace("×", "x").split("x")
    if len(sides) != 2:
        raise UsageError(f'"{text[:40]}" is not WxH', hint="such as 40x30mm", subject="--fit")
    unit = sides[1].strip().lstrip("0123456789.+- ")
    if sides[0].strip().replace(".", "", 1).isdigit():
        sides[0] += unit  # 2x1in is two inches by one
    width, height = (parse_length(side, option="--fit", least=SMALLEST_PIECE_MM) for side in sides)
    return Box(width, height)


class _Stop:
    """Remembers the signal that wants the run to end; a second one ends it the hard way."""

    def __init__(self) -> None:
        self._number = 0

    def __call__(self) -> int:
        return self._number

    def note(self, number: int, _frame: FrameType | None) -> None:
        self._number = self._number or number
        signal.signal(number, signal.SIG_DFL)


@contextlib.contextmanager
def _stop_on_signals() -> Iterator[_Stop]:
    stop = _Stop()
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {}
    with contextlib.suppress(ValueError):  # not in the main thread: nobody signals us
        for name in names:
            before[name] = signal.signal(getattr(signal, name), stop.note)
    try:
        yield stop
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def _check_log(log: Path | None, plan: "Plan") -> None:
    """Refuse a log that would be written into an artwork or the job sheet."""
    if log is None or not log.exists():
        return
    inputs = [*plan.inputs, *(entry.path for entry in plan.entries)]
    if any(path.exists() and log.samefile(path) for path in inputs):
        raise UsageError("is an input", hint="name another file", subject="--log")


def _say(outcome: "Outcome", plan: "Plan", args: argparse.Namespace) -> None:
    """Print what failed, and at most six lines about the set."""
    from tracer.batch.rows import State
    from tracer.batch.summary import counts
    from tracer.cli.main import complain
    from tracer.names import shown_name

    failed = [row for row in outcome.rows if row.state is State.FAILED]
    for row in failed:
        hint = f" ({row.hint})" if row.hint else ""
        complain(f"{row.shown}: {row.message}{hint}")
    if outcome.fault is not None and outcome.fault.message not in {row.message for row in failed}:
        complain(str(outcome.fault))
    if args.quiet:
        return
    number = counts(outcome.rows)
    words = ("sound", "at risk", "will not cast", "failed", "waiting")
    shown = {"failed": "not worked", "waiting": "not done yet"}
    parts = [f"{number[word]} {shown.get(word, word)}" for word in words if number[word]]
    print(f"{number['artworks']} artworks: {', '.join(parts)}")
    notes = _notes(outcome, plan, number)
    if notes:
        print(f"  {', '.join(notes)}")
    print(f"open {shown_name(args.out / 'index.html')}")
    sys.stdout.flush()


def _notes(outcome: "Outcome", plan: "Plan", number: dict[str, int]) -> list[str]:
    """Return what else is worth a word about a set."""
    from tracer.names import shown_name

    notes = []
    if number["with_open_places"]:
        notes.append(f"{number['with_open_places']} with places left open")
    if number["duplicates"]:
        notes.append(f"{number['duplicates']} the same as another, traced once")
    if outcome.reused:
        notes.append(f"{outcome.reused} done by an earlier run (--again redoes)")
    if plan.ignored:
        notes.append(f"{plan.ignored} other files ignored")
    if outcome.left_over:
        first = shown_name(Path(outcome.left_over[0]).with_suffix(""))
        count = len(outcome.left_over)
        more = f" and {count - 1} more" if count > 1 else ""
        notes.append(f"outputs of artworks no longer in the set were left: {first}{more}")
    return notes
