"""The same drawing gives the same DXF, byte for byte, in every process."""

import hashlib
import os
import subprocess
import sys

import pytest

CODE = """
import hashlib
from tracer.curves.path import Drawing
from tracer.out.dxf import write_dxf
print(hashlib.sha256(write_dxf({"art": Drawing(())}, comment="x").encode()).hexdigest())
"""


@pytest.mark.slow
def test_the_order_of_sets_does_not_show() -> None:
    """Found by working one set with one and with two workers: the CLASSES table differed."""
    found = set()
    for seed in range(8):
        done = subprocess.run(
            [sys.executable, "-c", CODE],
            env={**os.environ, "PYTHONHASHSEED": str(seed)},
            capture_output=True,
            check=True,
            text=True,
        )
        found.add(done.stdout.strip())
    assert len(found) == 1
    assert len(found.pop()) == hashlib.sha256().digest_size * 2
