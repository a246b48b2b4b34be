"""`tracer check`: whether the fine detail will survive casting."""

import argparse
import json
from pathlib import Path
from typing import Any

from tracer.bounds import largest_file
from tracer.cli import options
from tracer.cli.outline import no_size
from tracer.cli.terminal import Progress
from tracer.errors import InputError, Status, UsageError
from tracer.settings import Settings
from tracer.units import parse_length

EXAMPLE = """\
example:
  tracer check heron.png --width 50mm --process pewter-silicone --role raised
  tracer check heron.png --width 50mm --sizes 20mm..80mm
"""


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "check",
        help="will the fine detail survive casting? writes nothing",
        description="Measure artworks against the limits of a casting process; write no outline.",
        epilog=EXAMPLE,
    )
    parser.add_argument("artwork", metavar="ARTWORK", type=Path, nargs="+", help="image files")
    parser.add_argument(
        "--json", action="store_true", help="print the report on standard output and nothing else"
    )
    parser.add_argument(
        "--sizes", metavar="L..L", type=_span, help="what is lost at sizes from ... to ..."
    )
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")
    options.add_size(parser)
    options.add_casting(parser)
    options.add_repairs(parser)
    options.add_ink(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    from tracer.cli.main import complain
    from tracer.names import shown_name
    from tracer.process import check_metal_and_mould, load_process
    from tracer.raster.open import load_file
    from tracer.write.report import failed_report, report_text, summary_lines

    size = options.size_from(args)
    if size is None:
        path = args.artwork[0]
        data = load_file(path, largest_file(args.max_pixels))
        raise no_size(data, path.name, options.ink_from(args))
    settings = options.settings_from(args, size)
    check_metal_and_mould(load_process(settings.process), settings.alloy)
    reports: list[dict[str, object]] = []
    status = Status.DONE
    for path in dict.fromkeys(args.artwork):  # the same name twice is one artwork
        try:
            done, found = _check(path, settings, args)
            reports.extend(found)
            status = _worse(status, done)
            if not (args.json or args.quiet):
                for report in found:
                    print("\n".join([*summary_lines(report), *finding_lines(report)]))
                    if args.sizes:
                        print("\n".join(size_lines(report)))
        except InputError as error:
            error.subject = shown_name(path)
            complain(str(error))
            reports.append(failed_report(path.name, error))
            status = _worse(status, Status(error.status))
    if args.json:
        text = report_text(reports[0]) if len(reports) == 1 else _list_text(reports)
        print(text, end="" if text.endswith("\n") else "\n")
    return int(status)


def _check(
    path: Path, settings: Settings, args: argparse.Namespace
) -> tuple[Status, list[dict[str, object]]]:
    from tracer.names import shown_name
    from tracer.pipeline import trace_all
    from tracer.raster.open import load_file
    from tracer.write.report import make_report

    with Progress(shown_name(path), quiet=args.quiet or args.json) as progress:
        results = trace_all(
            load_file(path, largest_file(settings.ink.max_pixels)),
            path.name,
            settings,
            check_only=True,
            sizes=args.sizes,
            progress=progress,
        )
    sound = all(not result.mended.findings for result in results)
    return (
        Status.DONE if sound else Status.PLACES_OPEN,
        [make_report(result, files={}) for result in results],
    )


def finding_lines(report: dict[str, Any]) -> list[str]:
    """Return one line for each finding of a report."""
    return [
        f"  {f['number']:3}  {f['kind']:13}  at {f['at_mm'][0]:.2f}, {f['at_mm'][1]:.2f} mm:"
        f" {f['width_mm']:.2f} mm, limit {f['limit_mm']:.2f} mm; {f['action']}"
        for f in report["findings"]
    ]


def size_lines(report: dict[str, Any]) -> list[str]:
    """Return what would be lost at each size, a line each."""
    return [
        f"  at {point['width_mm']:7.2f} mm wide: {point['places']:4} places below a limit,"
        f" {100 * point['share_changed']:5.1f} % of the metal changed; {point['verdict']}"
        for point in report["size_curve"]
    ]


def _worse(one: Status, other: Status) -> Status:
    """Return the status that wins: a failed artwork over open places over done."""
    for status in (Status.ARTWORK_FAILED, Status.PLACES_OPEN):
        if status in (one, other):
            return status
    return Status.DONE


def _list_text(reports: list[dict[str, object]]) -> str:
    return json.dumps(reports, indent=1, ensure_ascii=True, allow_nan=False)


def _span(text: str) -> tuple[float, float]:
    low, dots, high = text.partition("..")
    if not dots:
        raise UsageError(f'"{text[:40]}" is not L..L', hint="such as 20mm..80mm", subject="--sizes")
    span = parse_length(low, option="--sizes"), parse_length(high, option="--sizes")
    if span[0] >= span[1]:
        raise UsageError(f'"{text[:40]}": the first size is not the smaller', subject="--sizes")
    return span
