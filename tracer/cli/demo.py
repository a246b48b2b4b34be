"""`tracer demo`: the shipped artworks, worked and written."""

import argparse
from pathlib import Path

from tracer.cli import options

EXAMPLE = """\
example:
  tracer demo --out demo
"""


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "demo",
        help="work the shipped artworks and say what to open",
        description="Work the artworks that come with the package; write outlines and reports.",
        epilog=EXAMPLE,
    )
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=Path("demo"),
        help="folder (default: %(default)s)",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    from tracer.demo import run_demo

    print("\n".join(run_demo(args.out)))
    return 0
