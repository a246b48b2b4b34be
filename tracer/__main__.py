"""Run the command: `python -m tracer`."""

import sys

from tracer.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
