"""Do the curves come back as they were drawn? The benchmark of contours and fit.

    python -m tests.bench.curves
    python -m tests.bench.curves --rendering bit jpeg60 --pixels 512 --limit 30 --rows ring fit

Drawn icons and glyphs of six open sets (see `tests/drawings.py`) are rendered by an independent
renderer (Agg, exact areas; resvg, edges on quarters of a pixel, for `quarters`), traced, and
measured against the outline that their designer drew. Distances are two-sided, in px of the
artwork; each figure is taken per file, and the table shows the median over the files, unless it
says p90; recall, precision, and *bends* (how often the curvature changes its sign, over how often
it does in the truth) are taken over all files. A file on which a method fails counts as infinitely
far and is named.
"""

import argparse
import time
import traceback
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.bench.methods import METHODS, Outline
from tests.bench.renderings import RENDERINGS, Values
from tests.bench.sheet import Case, write_sheet
from tests.drawings import SETS, TrueDrawing, drawings
from tests.rulers import CornerScore, score_corners, sign_changes, two_sided
from tests.truth import TrueOutline, true_outline

PER_SET = 30


@dataclass(frozen=True)
class Row:
    """One file, one rendering, one method."""

    name: str
    nodes: float
    median: float
    p95: float
    p99: float
    largest: float
    area: float  # relative error of the area
    corners: CornerScore | None
    kinds: tuple[int, int, int]
    ms: float
    bends: tuple[int, int] = (0, 0)  # changes of the sign of curvature: ours, true


def measure(outline: Outline, truth: TrueOutline, name: str, ms: float) -> Row:
    """Measure one outline against the truth."""
    spread = two_sided(outline.rings, truth.rings)
    corners = None if outline.corners is None else score_corners(outline.corners, truth)
    area = abs(sum(map(_area, outline.rings))) / truth.region.area - 1
    return Row(
        name,
        outline.nodes / truth.nodes,
        spread.percentile(50),
        spread.percentile(95),
        spread.percentile(99),
        spread.largest,
        area,
        corners,
        outline.kinds,
        ms,
        (sign_changes(outline.rings), sign_changes(truth.rings)),
    )


def _area(ring: np.ndarray) -> float:
    x, y = (ring - ring[0]).T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2


def attempt(method: str, values: Values) -> tuple[Outline | None, float, str]:
    """Run a method; return its outline, its CPU milliseconds and what went wrong."""
    start = time.process_time()
    try:
        outline = METHODS[method](values)
    except Exception as error:  # noqa: BLE001 - a failure is a result here, and it is shown
        where = traceback.extract_tb(error.__traceback__)[-1]
        return None, 0.0, f"{type(error).__name__}: {error} ({where.filename}:{where.lineno})"
    return outline, (time.process_time() - start) * 1000, ""


MISSING = Row("", np.inf, np.inf, np.inf, np.inf, np.inf, np.inf, None, (0, 0, 0), 0.0)
HEADER = (
    f"{'method':22}{'nodes':>7}{'median':>8}{'p95':>8}{'p99':>8}{'largest':>9}{'p90 of l.':>10}"
    f"{'area':>9}{'recall':>8}{'precis.':>8}{'off':>7}{'bends':>7}"
    f"  {'line/arc/cubic':16}{'ms':>8}{'ratio':>7}"
)


def line_of(method: str, rows: Sequence[Row], reference_ms: float) -> str:
    """Return one line of the table."""

    def mid(values: Iterable[float]) -> float:
        return float(np.median(list(values)))

    scores = [r.corners for r in rows if r.corners is not None]
    wanted, hit = sum(s.wanted for s in scores), sum(s.hit for s in scores)
    found, false = sum(s.found for s in scores), sum(s.false for s in scores)
    off = np.concatenate([np.empty(0), *(s.errors for s in scores)])
    corner = "".join(
        [
            f"{hit / wanted:8.3f}" if wanted else f"{'-':>8}",
            f"{1 - false / found:8.3f}" if found else f"{'-':>8}",
            f"{np.median(off):7.3f}" if len(off) else f"{'-':>7}",
        ]
    )
    kinds = np.sum([r.kinds for r in rows], axis=0)
    bent = sum(r.bends[0] for r in rows) / max(1, sum(r.bends[1] for r in rows))
    share = "/".join(f"{100 * k / max(1, kinds.sum()):.0f}" for k in kinds) + " %"
    ms = mid(r.ms for r in rows)
    largest = np.sort([r.largest for r in rows])
    p90 = largest[min(len(largest) - 1, int(np.ceil(0.9 * len(largest))) - 1)]
    return (
        f"{method:22}{mid(r.nodes for r in rows):7.2f}{mid(r.median for r in rows):8.3f}"
        f"{mid(r.p95 for r in rows):8.3f}{mid(r.p99 for r in rows):8.3f}"
        f"{mid(r.largest for r in rows):9.3f}{p90:10.3f}"
        f"{100 * mid(r.area for r in rows):8.2f}%{corner}{bent:7.2f}  {share:16}{ms:8.1f}"
        f"{ms / max(reference_ms, 1e-9):7.1f}"
    )


def run(
    chosen: Sequence[TrueDrawing], rendering: str, pixels: int, methods: Sequence[str]
) -> tuple[dict[str, list[Row]], dict[str, list[Case]]]:
    """Measure every method on every drawing."""
    rows: dict[str, list[Row]] = {m: [] for m in methods}
    cases: dict[str, list[Case]] = {m: [] for m in methods}
    for drawing in chosen:
        truth = true_outline(drawing, pixels)
        values = RENDERINGS[rendering](drawing, pixels)
        for method in methods:
            outline, ms, trouble = attempt(method, values)
            if outline is None:
                print(f"  {method} failed on {drawing.name}: {trouble}")
                rows[method].append(replace(MISSING, name=drawing.name))
                continue
            row = measure(outline, truth, drawing.name, ms)
            rows[method].append(row)
            cases[method].append(Case(drawing.name, values, truth, outline, row.largest))
            cases[method] = sorted(cases[method], key=lambda c: -c.largest)[:12]
    return rows, cases


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark, print the table, write the sheet."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--set", nargs="+", default=list(SETS), choices=SETS, dest="sets")
    parser.add_argument("--rendering", nargs="+", default=["alpha"], choices=list(RENDERINGS))
    parser.add_argument("--pixels", nargs="+", type=int, default=[512])
    parser.add_argument("--limit", type=int, default=PER_SET * len(SETS), help="drawings in all")
    parser.add_argument("--seed", type=int, default=1, help="another choice of drawings")
    parser.add_argument("--rows", nargs="+", default=list(METHODS)[:5], choices=list(METHODS))
    parser.add_argument(
        "--sheet",
        type=Path,
        help="PNG of the worst twelve of the last row, a file for each rendering and size:\n"
        "worst.png becomes worst-alpha-512.png",
    )
    parser.add_argument("--worst", type=int, default=0, help="name the worst files of the last row")
    options = parser.parse_args(arguments)
    share = -(-options.limit // len(options.sets))
    chosen = [d for name in options.sets for d in drawings(name, share, options.seed)]
    for pixels in options.pixels:
        for rendering in options.rendering:
            start = time.process_time()
            rows, cases = run(chosen, rendering, pixels, options.rows)
            cpu = time.process_time() - start
            reference = rows.get("contour", next(iter(rows.values())))
            reference_ms = float(np.median([r.ms for r in reference]))
            print(f"\n{rendering}, {pixels} px, {len(chosen)} drawings, {cpu:.0f} s CPU")
            print(HEADER)
            for method in options.rows:
                print(line_of(method, rows[method], reference_ms))
            last = options.rows[-1]
            for row in sorted(rows[last], key=lambda r: -r.largest)[: options.worst]:
                print(
                    f"  {row.name:40} nodes {row.nodes:6.2f}  p95 {row.p95:.3f}  "
                    f"p99 {row.p99:.3f}  largest {row.largest:.3f}"
                )
            if options.sheet:
                own = f"{options.sheet.stem}-{rendering}-{pixels}{options.sheet.suffix}"
                write_sheet(cases[last], options.sheet.with_name(own))
                print(f"worst twelve of {last!r}: {options.sheet.with_name(own)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
