"""Artworks a second a core over a whole set, one worker and two, beside a plain script.

    python -m tests.bench.batch [--count N] [--pixels N] [--pages N]

The set is drawn icons and glyphs at 1024 px; the work includes JSON and page. On a shared machine
the wall clock says little, so the rate is artworks over processor time (user and system, of all
processes), which is what a core does by itself. How well two workers scale is bounded by what the
parent does alone (reading, hashing, writing); its share is printed, and the wall clock beside it.

With `--pages N` the contact sheet of N artworks is written instead, to plan very large sets: its
time, peak memory and number of files, with the outputs of one artwork linked N times.
"""

import argparse
import contextlib
import io
import os
import resource
import subprocess
import sys
import tempfile
import time
import tracemalloc
from dataclasses import dataclass
from pathlib import Path

from tests.bench import plain_script
from tests.drawings import mixed
from tracer.batch.contact import contact_pages
from tracer.batch.rows import Row, State
from tracer.batch.summary import summary_csv, summary_json
from tracer.cli.main import main as tracer

WIDTH, LIMIT = "40", "0.8"
WANTED_RATE = 3.0
WANTED_SCALING = 1.8
FINISHED = (0, 1, 3)


@dataclass(frozen=True)
class Took:
    """Seconds: by the clock, of this process, of the workers."""

    wall: float
    own: float
    workers: float

    @property
    def cpu(self) -> float:
        """All processor time."""
        return self.own + self.workers


def _used(who: int) -> float:
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def timed(words: list[str]) -> Took:
    """Run a command of the tool in this process and return what it took."""
    own, workers = _used(resource.RUSAGE_SELF), _used(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        status = tracer(words)
    wall = time.perf_counter() - start
    if status not in FINISHED:
        raise SystemExit(f"status {status}")
    return Took(
        wall,
        _used(resource.RUSAGE_SELF) - own,
        _used(resource.RUSAGE_CHILDREN) - workers,
    )


def plain(files: list[Path], out: Path) -> Took:
    """Run the plain script over the whole set in one process, start-up paid once."""
    code = (
        "import sys; from tests.bench.plain_script import main\n"
        "for f in sys.argv[2:]: main(f, '40', '0.8', sys.argv[1])"
    )
    before, start = _used(resource.RUSAGE_CHILDREN), time.perf_counter()
    names = list(map(str, files))
    subprocess.run([sys.executable, "-c", code, str(out), *names], check=True, cwd=ROOT)
    wall = time.perf_counter() - start
    return Took(wall, 0.0, _used(resource.RUSAGE_CHILDREN) - before)


ROOT = Path(plain_script.__file__).parents[2]


def rates(count: int, pixels: int) -> bool:
    """Print the table of rates; return whether every aim was reached."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source = folder / "set"
        source.mkdir()
        for drawing in mixed(count):
            (source / f"{drawing.name}.png").write_bytes(drawing.png(pixels))
        files = sorted(source.iterdir())
        count = len(files)
        load = os.getloadavg()[0]
        print(f"{count} artworks of {pixels} px, {os.cpu_count()} cores, load {load:.1f}")
        print(f"{'':24}{'wall s':>9}{'CPU s':>9}{'parent s':>9}{'art/s/core':>11}")

        def line(what: str, took: Took) -> None:
            print(
                f"{what:24}{took.wall:9.1f}{took.cpu:9.1f}{took.own:9.1f}{count / took.cpu:11.2f}"
            )

        line("plain script", plain(files, folder / "plain.svg"))
        found: dict[int, Took] = {}
        words: list[str] = []
        for jobs in (1, 2):
            words[:] = ["batch", str(source), "--out", str(folder / f"out{jobs}"), "--width", WIDTH,
                     "--min-metal", LIMIT, "--min-gap", LIMIT, "--jobs", str(jobs)]  # fmt: skip
            found[jobs] = timed(words)
            line(f"tracer batch --jobs {jobs}", found[jobs])
        again = timed(words)
        line("  nothing to do", again)
    one, two = found[1], found[2]
    rate = count / two.cpu
    # two workers on two idle cores: half of all work, or the parent's own if that is more, with
    # the extra processor time that two workers were seen to need
    bound = one.cpu / max(two.cpu / 2, two.own)
    print(f"rate {rate:.2f} a second a core, wanted {WANTED_RATE:g}")
    print(
        f"two workers: {one.wall / two.wall:.2f} times one by the clock on this machine now, "
        f"{bound:.2f} by processor time, wanted {WANTED_SCALING:g}"
    )
    return rate >= WANTED_RATE and bound >= WANTED_SCALING


def pages(count: int) -> None:
    """Write the contact sheet of a very large set and print what it takes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "set").mkdir()
        [drawing] = mixed(1)
        (folder / "set" / "art.png").write_bytes(drawing.png(1024))
        timed(["batch", str(folder / "set"), "--out", str(folder / "out"), "--width", WIDTH])
        sizes = [path.stat().st_size for path in (folder / "out").glob("art.*")]
        tracemalloc.start()
        files = ("art.html", "art.json", "art.svg")
        rows = [
            Row(n, f"artwork {n}.png", "art", State.DONE, verdict="at risk", width_mm=40.0,
                height_mm=31.0 + n % 7, kinds=(("neck", n % 5), ("narrow-gap", 2)), fixed=3,
                smallest_safe_width_mm=44.0, pieces=1, files=tuple(f[:] for f in files))
            for n in range(count)
        ]  # fmt: skip
        held, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        start, number, volume = time.process_time(), 0, 0
        for _, text in contact_pages(rows, folder / "out", "set"):
            number, volume = number + 1, volume + len(text)
        took = time.process_time() - start
        start = time.process_time()
        tables = len(summary_csv(rows)) + len(summary_json(rows, "set"))
        took_tables = time.process_time() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{count} artworks: {len(sizes)} files of {sum(sizes) / 1e3:.0f} kB each")
    print(f"rows in memory {held / 1e6:.1f} MB ({held / count:.0f} bytes each)")
    print(f"contact sheet: {number} pages, {volume / 1e6:.0f} MB, {took:.1f} s of processor time")
    print(
        f"summaries: {tables / 1e6:.0f} MB, {took_tables:.1f} s; peak of this process {peak:.0f} MB"
    )


def main() -> int:
    """Run the benchmark; exit status 1 when an aim is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--pixels", type=int, default=1024)
    parser.add_argument("--pages", type=int, default=0)
    options = parser.parse_args()
    if options.pages:
        pages(options.pages)
        return 0
    return 0 if rates(options.count, options.pixels) else 1


if __name__ == "__main__":
    sys.exit(main())
