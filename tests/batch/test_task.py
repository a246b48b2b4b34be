"""The work on one artwork in a worker."""

import subprocess
import sys

PROGRAM = """
import io, sys
from tracer.batch.task import Task, prepare, run_task
from tracer.settings import Settings, Size, SizeBy

prepare()
ready = set(sys.modules)
from PIL import Image

square = Image.new("L", (40, 40), 255)
square.paste(0, (10, 10, 30, 30))
out = io.BytesIO()
square.save(out, "PNG")
run_task(Task(out.getvalue(), "square.png", Settings(Size(SizeBy.WIDTH, 20.0))))
print(*sorted(name for name in set(sys.modules) - ready if name.startswith("tracer")))
"""


def test_a_prepared_worker_has_all_that_an_artwork_needs() -> None:
    """Else the first artwork's time limit pays for the imports of all."""
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, check=True)
    assert done.stdout.split() == []
