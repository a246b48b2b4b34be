"""The real work on a real set, killed and finished (issue 6).

Small by default; in full 200 drawings and every file of the catalogue.
"""

import io
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image

from tests.batch.sets import tree
from tests.catalogue.files import cases
from tests.drawings import mixed

FULL = os.environ.get("TRACER_PROFILE") == "full"
COUNT, KILLS, PIXELS = (200, 20, 256) if FULL else (12, 4, 96)
CASES = cases() if FULL else cases()[::10]
KINDS = ("png", "jpg", "gif", "tif", "webp", "bmp", "png")

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")


def make_set(folder: Path) -> None:
    """Draw icons and glyphs in several formats; add the files of the catalogue and odd names."""
    folder.mkdir()
    for number, drawing in enumerate(mixed(COUNT)):
        kind = KINDS[number % len(KINDS)]
        data = drawing.png(PIXELS, ground="" if kind == "png" else "white")
        if kind != "png":
            out = io.BytesIO()
            with Image.open(io.BytesIO(data)) as image:
                image.convert("RGB").save(out, {"jpg": "jpeg", "tif": "tiff"}.get(kind, kind))
            data = out.getvalue()
        (folder / f"{drawing.name}.{kind}").write_bytes(data)
    for case in CASES:
        (folder / case.name).write_bytes(case.data)
    whole = next(iter(mixed(6))).png(PIXELS)
    for name in ("twin.png", "._twin.png", os.fsdecode(b"logo\xff.png"), "two\nlines.png"):
        (folder / name).write_bytes(whole)
    os.mkfifo(folder / "pipe.png")
    (folder / "nowhere.png").symlink_to(folder / "nothing")


def start(source: Path, out: Path) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "tracer", "batch", str(source), "--out", str(out), "--width",
               "30mm", "--process", "as-drawn", "--jobs", "2", "--quiet"]  # fmt: skip
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.mark.slow
def test_a_killed_set_ends_like_a_calm_one(tmp_path: Path) -> None:
    source = tmp_path / "set"
    make_set(source)
    began = time.monotonic()
    with start(source, tmp_path / "calm") as process:
        process.wait()
    took = time.monotonic() - began
    assert process.returncode == 1
    calm = tree(tmp_path / "calm")
    out, rng, interrupted = tmp_path / "out", random.Random(KILLS), 0
    for _ in range(5 * KILLS):
        with start(source, out) as process:
            # after its start, and within the share of the work that one of the runs has to do
            time.sleep(1.0 + rng.uniform(0, 1.5 * took / KILLS))
            process.send_signal(rng.choice([signal.SIGINT, signal.SIGKILL, signal.SIGTERM]))
            process.wait()
        if process.returncode == 1:  # it came to its end before the signal: begin anew
            assert tree(out) == calm
            shutil.rmtree(out)
            continue
        interrupted += 1
        if interrupted == KILLS:
            break
    assert interrupted == KILLS
    with start(source, out) as process:
        process.wait()
    assert process.returncode == 1
    assert sum(name.endswith(".svg") for name in calm) >= 0.9 * COUNT
    assert tree(out) == calm
    print(f"{COUNT} drawings, {len(list(source.iterdir()))} files, {KILLS} kills: nothing lost")
