"""Entry of the command: parse, run a command, turn what happens into an exit status."""

import contextlib
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from types import FrameType
from typing import NoReturn

from tracer import __version__
from tracer.cli.options import Parser
from tracer.errors import Status, TracerError

COMMANDS = ("outline", "check", "batch", "plan", "processes", "limits", "demo")

STATUS_HELP = """\
exit status:
  0    done: every place is sound or was mended
  1    finished, but an artwork could not be read or worked (wins over 3)
  2    wrong use or settings: nothing was started
  3    finished, but places stay open (check: not sound as drawn)
  4    an output could not be written
  5    a fault of ours
  130  interrupted; 143 terminated; 141 the reader of our output went away
"""

EXAMPLE = """\
example:
  tracer outline heron.png --width 50mm --process pewter-silicone --role raised
"""


def build_parser() -> Parser:
    """Return the parser of the whole command line; imports nothing heavy."""
    parser = Parser(
        prog="tracer",
        description="From flat artwork to a casting-safe outline in true millimetres.",
        epilog=f"{EXAMPLE}\n{STATUS_HELP}",
    )
    parser.add_argument("--version", action="version", version=f"tracer {__version__}")
    parser.add_argument("--debug", action="store_true", help="show where an error comes from")
    commands = parser.add_subparsers(title="commands", dest="command", metavar="COMMAND")
    for name in COMMANDS:
        importlib.import_module(f"tracer.cli.{name}").add_parser(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr] # text streams have it
    debug = "--debug" in words
    previous = _on_terminate(_terminated)
    try:
        return _run([word for word in words if word != "--debug"])
    except TracerError as error:
        if debug:
            raise
        complain(str(error))
        return int(error.status)
    except KeyboardInterrupt:
        return int(Status.INTERRUPTED)
    except BrokenPipeError:
        # what is still buffered has nowhere to go; keep the interpreter from trying at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(Status.PIPE_CLOSED)
    except MemoryError:
        complain("out of memory (use a smaller artwork, or close other programs)")
        return int(Status.ARTWORK_FAILED)
    except Exception as error:
        if debug:
            raise
        complain(
            f"internal fault: {type(error).__name__}: {error} (please report; --debug shows where)"
        )
        return int(Status.FAULT)
    finally:
        _on_terminate(previous)


def complain(message: str) -> None:
    """Print an error on the error stream, as one line."""
    from tracer.names import shown_name

    print(f"tracer: error: {shown_name(message)}", file=sys.stderr)


def _run(words: list[str]) -> int:
    if words == ["--version"]:  # no need to build the parsers of all commands
        print(f"tracer {__version__}")
        return int(Status.DONE)
    parser = build_parser()
    if not words:
        parser.print_usage(sys.stderr)
        print(EXAMPLE, file=sys.stderr, end="")
        return int(Status.WRONG_USE)
    try:
        args = parser.parse_args(words)
    except SystemExit as leave:  # --help and --version of argparse
        sys.stdout.flush()
        return int(leave.code or 0)
    if args.command is None:
        parser.error("no command given")
    # our matrices are small: threads would only burn time waiting for them
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    status = int(args.run(args))
    sys.stdout.flush()
    return status


def _on_terminate(handler: object) -> object:
    with contextlib.suppress(ValueError):  # not in the main thread
        return signal.signal(signal.SIGTERM, handler)  # type: ignore[arg-type] # what it gave before
    return signal.SIG_DFL


def _terminated(_number: int, _frame: FrameType | None) -> NoReturn:
    raise SystemExit(int(Status.TERMINATED))
