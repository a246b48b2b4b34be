"""`tracer plan`: from artwork to a master that can be printed, moulded and poured."""

import argparse
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tracer.bounds import largest_file
from tracer.cli import options
from tracer.cli.piece_options import add_options, wish_from
from tracer.cli.terminal import Progress
from tracer.errors import InputError, Status, UsageError

if TYPE_CHECKING:
    from tracer.piece.wish import PieceWish

EXAMPLE = """\
examples:
  tracer plan heron.png --blank disc:50mm --body 5mm --raised 1mm --hole 4mm
  tracer plan anchor.png --blank outline:+3mm --art-width 40mm --body 3mm --sunk 0.8mm \\
      --hole ring:AWG18 --edge-radius 1mm --out job
  tracer plan piece.toml
a piece.toml holds the same options without their dashes, and may hold several designs:
  blank = "disc:50mm"
  body = "5mm"
  hole = "4mm"
  [[design]]
  artwork = "heron.png"
  raised = "1mm"
writes NAME-plan.svg, -plan.dxf, -master.3mf, -master.stl, -plan.json and -job.html
"""

LARGEST_TOML = 1_000_000
_DESIGN_KEYS = ("artwork", "raised", "sunk", "art-width", "art-at", "art-turn", "overhang")


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "plan",
        help="from artwork to a master that can be printed, moulded and poured",
        description="Plan the piece around an artwork. Coordinates are mm from the middle of the"
        " blank, y up.",
        epilog=EXAMPLE,
    )
    add_options(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    from tracer.files import write_files
    from tracer.names import safe_stem, shown_name
    from tracer.piece.files import plan_files
    from tracer.piece.record import summary_lines
    from tracer.planning import make_plan
    from tracer.raster.open import load_file

    source: Path = args.artwork
    try:
        args, designs = _read_piece(args)
        wish = wish_from(args, designs, safe_stem(source.stem))
    except UsageError as error:
        if source.suffix.lower() == ".toml" and error.subject != shown_name(source):
            error.message = f"{error.subject}: {error.message}" if error.subject else error.message
            error.subject = shown_name(source)
        raise
    paths = sorted({design.artwork for design in wish.designs})
    most = largest_file(wish.settings.ink.max_pixels)
    artworks = {path: load_file(path, most) for path in paths}
    with Progress(shown_name(source), quiet=args.quiet) as progress:
        try:
            plan = make_plan(wish, artworks, progress=progress)
        except InputError as error:
            error.subject = error.subject or shown_name(paths[0])
            raise
        progress("writing")
        contents, record = plan_files(plan)
    folder: Path = args.out or source.parent
    files = {folder / name: content for name, content in contents.items()}
    write_files(files, inputs=[source, *paths], overwrite=args.overwrite)
    if not args.quiet:
        print("\n".join(summary_lines(record)))
        print("wrote " + ", ".join(shown_name(path) for path in files))
    return int(Status.PLACES_OPEN if plan.is_open else Status.DONE)


def _read_piece(args: argparse.Namespace) -> tuple[argparse.Namespace, list[argparse.Namespace]]:
    """Return the options and those of each design; a TOML file is read as options."""
    if args.artwork.suffix.lower() != ".toml":
        return args, [args]
    source: Path = args.artwork
    table = _toml(source)
    designs = table.pop("design", [])
    if not isinstance(designs, list) or not all(isinstance(d, dict) for d in designs):
        raise UsageError('"design" is not a list of tables', hint="[[design]]", subject=str(source))
    parser = options.Parser(prog="tracer plan")
    add_options(parser)
    own = _words({k: v for k, v in table.items() if k != "artwork"})
    merged = parser.parse_args([str(args.artwork), *own])
    merged.out, merged.quiet, merged.overwrite = args.out, args.quiet, args.overwrite
    if args.out is None and isinstance(table.get("out"), str):
        merged.out = source.parent / str(table["out"])
    if not designs:
        if "artwork" not in table:
            raise UsageError("names no artwork", hint='artwork = "heron.png"', subject=str(source))
        merged.artwork = source.parent / str(table["artwork"])
        return merged, [merged]
    found = []
    for design in designs:
        unknown = sorted(set(design) - set(_DESIGN_KEYS))
        if unknown or "artwork" not in design:
            word = f'unknown key "{unknown[0]}"' if unknown else "a design without artwork"
            raise UsageError(word, hint=", ".join(_DESIGN_KEYS), subject=str(source))
        words = _words({k: v for k, v in design.items() if k != "artwork"})
        one = parser.parse_args([str(design["artwork"]), *own, *words])
        one.artwork = source.parent / str(design["artwork"])
        found.append(one)
    return merged, found


def read_piece(path: Path, artwork: str, width_mm: float | None) -> "PieceWish":
    """Read a file of options for the piece around an artwork that a job sheet names.

    The artwork gets `width_mm` where the file gives it no width.
    """
    from tracer.names import safe_stem, shown_name

    table = _toml(path)
    for key in ("artwork", "design", "out"):
        if key in table:
            raise UsageError(
                f'"{key}" does not belong into a piece for a job sheet',
                hint="the line names artwork and folder",
                subject=shown_name(path),
                code="E_SETTINGS_FILE",
            )
    parser = options.Parser(prog="tracer plan")
    add_options(parser)
    try:
        args = parser.parse_args([*_words(table), "--", artwork])
        args.art_width = args.art_width or width_mm
        return wish_from(args, [args], safe_stem(Path(artwork).stem))
    except UsageError as error:
        error.message = f"{error.subject}: {error.message}" if error.subject else error.message
        error.subject = shown_name(path)
        raise


def _toml(path: Path) -> dict[str, Any]:
    def wrong(message: str) -> UsageError:
        return UsageError(message, subject=str(path), code="E_SETTINGS_FILE")

    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_TOML + 1)
    except OSError as error:
        raise wrong((error.strerror or "cannot be read").lower()) from None
    if len(raw) > LARGEST_TOML:
        raise wrong("larger than 1 MB")
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise wrong(f"not valid TOML: {error}") from None


def _words(table: dict[str, Any]) -> list[str]:
    """Return a table of options as words of a command line."""
    words = []
    for key, value in table.items():
        if key in ("out", "name") and isinstance(value, str):
            words += [f"--{key}={value}"]
        elif isinstance(value, bool):
            words += [f"--{key}"] if value else []
        elif isinstance(value, str | int | float):
            words += [f"--{key}={value}"]
        elif isinstance(value, list) and all(isinstance(v, str | int | float) for v in value):
            words += [f"--{key}={','.join(str(v) for v in value)}"]
        else:
            raise UsageError(f'"{key}" is neither text nor number', subject=key)
    return words
