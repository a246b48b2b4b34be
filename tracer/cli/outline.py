"""`tracer outline`: one artwork in, a castable outline and its report out."""

import argparse
from pathlib import Path

from tracer.bounds import largest_file
from tracer.cli import options
from tracer.cli.terminal import Progress
from tracer.errors import InputError, UsageError
from tracer.settings import InkOptions

EXAMPLE = """\
example:
  tracer outline heron.png --width 50mm --process pewter-silicone --role raised
writes heron.svg, heron.json and heron.html next to the artwork
"""


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "outline",
        help="one artwork in, a castable outline and its report out",
        description="Trace an artwork, bring it to the limits of casting, write SVG and report.",
        epilog=EXAMPLE,
    )
    parser.add_argument("artwork", metavar="ARTWORK", type=Path, help="image file")
    parser.add_argument("-o", dest="out", metavar="NAME.svg", type=Path, help="where to write")
    parser.add_argument(
        "--overwrite", action="store_true", help="replace a file of another origin, too"
    )
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")
    options.add_size(parser)
    options.add_casting(parser)
    options.add_repairs(parser)
    options.add_fit(parser)
    options.add_ink(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    from tracer.files import write_files
    from tracer.job import work
    from tracer.names import shown_name
    from tracer.process import check_metal_and_mould, load_process
    from tracer.raster.open import load_file
    from tracer.write.report import summary_lines

    size = options.size_from(args)
    _check_target(args.out)
    data = load_file(args.artwork, largest_file(args.max_pixels))
    name = args.artwork.name
    out = args.out or args.artwork.with_suffix(".svg")
    if size is None:
        raise no_size(data, shown_name(args.artwork), options.ink_from(args))
    settings = options.settings_from(args, size)
    check_metal_and_mould(load_process(settings.process), settings.alloy)
    with Progress(shown_name(args.artwork), quiet=args.quiet) as progress:
        try:
            outputs = work(data, name, settings, progress=progress)
        except InputError as error:
            error.subject = shown_name(args.artwork)
            raise
    texts = {out.with_name(out.stem + suffix): text for suffix, text in outputs.texts.items()}
    write_files(texts, inputs=[args.artwork], overwrite=args.overwrite)
    if not args.quiet:
        for report in outputs.reports:
            print("\n".join(summary_lines(report)))
        print("wrote " + ", ".join(shown_name(path) for path in texts))
    return int(outputs.status)


def no_size(data: bytes, name: str, ink: InkOptions) -> UsageError:
    """Return the error for a missing size, with the size that the stored density would give."""
    from tracer.raster.read import read_artwork

    try:
        artwork = read_artwork(data, name, ink)
    except InputError as error:
        error.subject = name
        raise
    hint = options.SIZE_HINT
    if artwork.density_per_mm:
        width, height = (n / artwork.density_per_mm for n in (artwork.columns, artwork.rows))
        dpi = artwork.density_per_mm * 25.4
        hint += (
            f"; the file's stored density of {dpi:.0f} dpi would make the whole image "
            f"{width:.1f} x {height:.1f} mm, --pitch {1 / artwork.density_per_mm:.5f}mm"
        )
    else:
        hint += "; the file stores no density to go by"
    return UsageError("no size given", hint=hint, subject=name)


def _check_target(out: Path | None) -> None:
    if out is not None and out.suffix.lower() != ".svg":
        raise UsageError(
            f'"{out.name}" does not end in .svg',
            hint="-o takes the name of the SVG; the other files go by its stem",
            subject="-o",
        )
