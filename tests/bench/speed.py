"""Times of whole processes: start-up, `check`, `outline`, and a plain script beside them.

    python -m tests.bench.speed [--repeat N] [--drawings N]

Every line is the median over drawings of the least of N runs. Processor time (user + system) of
the whole process is printed beside the wall clock, since other work on the machine lengthens the
wall clock only. Exit status 1 when a target is missed.

Modules are kept as compiled, as they are for who installed the tool: where the environment forbids
that (PYTHONDONTWRITEBYTECODE) each run would take 0.2 s more.
"""

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.drawings import mixed

WIDTH = "40"
LIMIT = "0.8"
PLAIN = Path(__file__).with_name("plain_script.py")
FINISHED = (0, 3)
"""Done, or finished with places open."""


@dataclass(frozen=True)
class Took:
    """Seconds of one process."""

    wall: float
    cpu: float


def run(command: Sequence[str], repeat: int, compiled: Path) -> Took:
    """Return the least wall clock and processor time of some runs of a command.

    `compiled` is where modules are kept as compiled; the first run may have to compile them.
    """
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    kept["PYTHONPYCACHEPREFIX"] = str(compiled)
    runs = []
    for _ in range(repeat):
        before, start = _children(), time.perf_counter()
        done = subprocess.run(
            [sys.executable, *command], capture_output=True, check=False, text=True, env=kept
        )
        wall, cpu = time.perf_counter() - start, _children() - before
        if done.returncode not in FINISHED:
            raise SystemExit(f"{' '.join(command)}: status {done.returncode}\n{done.stderr}")
        runs.append(Took(wall, cpu))
    return Took(min(r.wall for r in runs), min(r.cpu for r in runs))


def _children() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def median(times: Sequence[Took]) -> Took:
    """Return the median of each."""
    return Took(statistics.median(t.wall for t in times), statistics.median(t.cpu for t in times))


def on_drawings(words: Sequence[str], files: Sequence[Path], out: Path, repeat: int) -> list[Took]:
    """Run a command of the tool on each file."""
    target = ["-o", str(out / "out.svg")] if words[-1] == "outline" else []
    commands = [[*words, str(f), "--width", f"{WIDTH}mm", *target] for f in files]
    return [run(command, repeat, out / "compiled") for command in commands]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--drawings", type=int, default=6)
    options = parser.parse_args()
    missed = 0

    def line(name: str, took: Took, target: float | None = None, unit: str = "s") -> None:
        nonlocal missed
        verdict = ""
        if target is not None:
            verdict = f"target {target:g} {unit}: {'met' if took.cpu < target else 'MISSED'}"
            missed += took.cpu >= target
        print(f"{name:34} wall {took.wall:7.3f} s   processor {took.cpu:7.3f} s   {verdict}")

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        compiled = folder / "compiled"
        bare = run(["-c", "pass"], 3 * options.repeat, compiled)
        line("bare interpreter", bare)
        for option, target in (("--version", 0.080), ("--help", 0.150)):
            took = run(["-m", "tracer", option], 3 * options.repeat, compiled)
            line(f"tracer {option}", took, target)
            print(f"{'':34} {took.cpu / bare.cpu:.1f} times the bare interpreter")
        sets: dict[int, list[Path]] = {}
        for pixels in (1024, 4096):
            sets[pixels] = []
            for drawing in mixed(options.drawings):
                file = folder / f"{drawing.name}-{pixels}.png"
                file.write_bytes(drawing.png(pixels))
                sets[pixels].append(file)
        tool = ["-m", "tracer"]
        for word, target in (("check", 1.5), ("outline", 2.5)):
            all_took = on_drawings([*tool, word], sets[1024], folder, options.repeat)
            line(f"tracer {word}, 1024 px", median(all_took), target)
        ours = on_drawings([*tool, "outline"], sets[4096], folder, options.repeat)
        plain = [
            run(
                [str(PLAIN), str(f), WIDTH, LIMIT, str(folder / "plain.svg")],
                options.repeat,
                compiled,
            )
            for f in sets[4096]
        ]
        line("tracer outline, 4096 px", median(ours))
        line("plain script, 4096 px", median(plain))
        ratios = [o.cpu / p.cpu for o, p in zip(ours, plain, strict=True)]
        verdict = "met" if statistics.median(ratios) <= 1.0 else "MISSED"
        missed += statistics.median(ratios) > 1.0
        shown = ", ".join(f"{r:.2f}" for r in sorted(ratios))
        print(
            f"ratio of processor times: median {statistics.median(ratios):.2f} ({shown}), ", end=""
        )
        print(f"target 1.0: {verdict}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
