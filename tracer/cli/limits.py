"""`tracer limits`: the resource limits, each with the option that changes it."""

import argparse

from tracer.cli import options

EXAMPLE = """\
example:
  tracer limits
"""


def add_parser(commands: "argparse._SubParsersAction[options.Parser]") -> None:
    """Add the command to the command line."""
    parser = commands.add_parser(
        "limits",
        help="list the resource limits and the options that change them",
        description="List the limits on files and pixels (for casting: `tracer processes`).",
        epilog=EXAMPLE,
    )
    parser.set_defaults(run=run)


def run(_args: argparse.Namespace) -> int:
    """Run the command; return the exit status."""
    from tracer.bounds import ALL

    for bound in ALL:
        value = f"{bound.value:,} {bound.unit}"
        print(f"{bound.name:12} {value:>22}  {bound.option or '(fixed)':14} {bound.why}")
    return 0
