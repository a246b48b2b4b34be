"""`tracer processes`: the casting limits, with their evidence."""

import argparse

from tracer.cli import options

EXAMPLE = """\
example:
  tracer processes pewter-silicone
  tracer processes pewter-silicone --toml > mine.toml      (your own measured limits start here)
"""


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "processes",
        help="list the casting processes, or one with its limits and their evidence",
        description="List the casting processes, or print one with its limits and their evidence.",
        epilog=EXAMPLE,
    )
    parser.add_argument("name", metavar="NAME", nargs="?", help="a process, or a .toml file")
    parser.add_argument("--toml", action="store_true", help="print as TOML, to start your own from")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    from tracer.process import load_process, process_names, process_text, process_toml

    if args.name is None:
        for name in process_names():
            print(f"{name:16} {load_process(name).label}")
        return 0
    process = load_process(args.name)
    print(process_toml(process) if args.toml else process_text(process), end="")
    return 0
