"""`tracer batch` with a stand-in for the work: SOURCE OUT [JOBS]."""

import sys
from pathlib import Path

from tests.batch.sets import WISHES
from tracer.batch.plan import make_plan
from tracer.batch.run import Running, run_batch
from tracer.cli.batch import _stop_on_signals


def main() -> int:
    source, out = Path(sys.argv[1]), Path(sys.argv[2])
    jobs = int(sys.argv[3]) if len(sys.argv) > 3 else 2
    running = Running(jobs=jobs, timeout_s=30, work="tests.batch.jobs:run")
    with _stop_on_signals() as stop:
        plan = make_plan(source, out, WISHES)
        print("ready", flush=True)
        return int(run_batch(plan, out, "set", WISHES, running, stopped=stop).status)


if __name__ == "__main__":
    sys.exit(main())
