"""What reading an artwork and finding its ink takes, by kind of artwork.

    python -m tests.bench.reading [--pixels 4096] [--repeat 3] [--only WORDS]

Each kind is one drawn design of that side, in a process that does nothing else. Printed are the
processor time (user + system, least of N runs) and the peak of memory in bytes a pixel, both less
those of the same process on the same artwork of 128 px: what is left is no library and no start-up.
The time of that small run is printed beside them. Exit status 1 when a goal is missed.
"""

import argparse
import io
import json
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage  # type: ignore[import-untyped] # carries no types

from tests.bench.renderings import alpha
from tests.drawings import drawings

SMALL = 128
MOST_SECONDS = 1.0
MOST_BYTES = 16.0

Ink = NDArray[np.float32]

CODE = """
import json, sys
from pathlib import Path
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.settings import InkOptions
options = InkOptions(**json.loads(sys.argv[2]))
find_ink(read_artwork(Path(sys.argv[1]).read_bytes(), "artwork", options), options)
status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
print(int(status["VmHWM"].split()[0]) * 1024)
"""
"""Prints the peak of the process's own memory (proc(5)); ru_maxrss would hold the parent's."""


def _saved(samples: NDArray[np.floating], form: str = "PNG", **options: object) -> bytes:
    stream = io.BytesIO()
    levels = np.rint(np.clip(samples, 0, 1) * 255).astype(np.uint8)
    Image.fromarray(levels).save(stream, form, **options)
    return stream.getvalue()


def _mixed(ink: Ink, *colours: tuple[float, float, float]) -> Ink:
    """Return ink over a ground, the first colour; further inks take over from left to right."""
    ground, *inks = (np.array(c, np.float32) for c in colours)
    out = np.empty((*ink.shape, 3), np.float32)
    for part, own in zip(np.array_split(np.arange(ink.shape[1]), len(inks)), inks, strict=True):
        out[:, part] = ground + ink[:, part, None] * (own - ground)
    return out


def _clear(ink: Ink) -> bytes:
    return _saved(np.dstack([np.zeros((*ink.shape, 3), np.float32), ink]))


def _shadowed(ink: Ink) -> bytes:
    """Return ink over its soft shadow, which lies a fiftieth of the side away."""
    away = ink.shape[0] // 50
    shadow = 0.35 * ndimage.gaussian_filter(np.roll(ink, (away, away), (0, 1)), away / 2)
    return _clear(ink + shadow * (1 - ink))


def _deep(ink: Ink) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(np.rint((1 - ink) * 65535).astype(np.uint16)).save(stream, "PNG")
    return stream.getvalue()


def _bits(ink: Ink) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(ink < 0.5).save(stream, "PNG")
    return stream.getvalue()


def _lit(ink: Ink) -> bytes:
    x = np.linspace(0, 1, ink.shape[1], dtype=np.float32)
    grain = np.random.default_rng(1).normal(0, 0.01, ink.shape)
    grey = (0.9 - 0.4 * x) * (1 - 0.9 * ndimage.gaussian_filter(ink, 1)) + grain
    return _saved(np.repeat(grey[..., None], 3, axis=2), "JPEG", quality=85)


RED, BLUE, CREAM = (0.75, 0.1, 0.12), (0.1, 0.2, 0.7), (0.98, 0.95, 0.86)
SIX = (RED, BLUE, (0.1, 0.5, 0.2), (0.9, 0.7, 0.2), (0.4, 0.4, 0.4), (0.1, 0.1, 0.1))
KINDS: dict[str, Callable[[Ink], bytes]] = {
    "PNG, alpha": _clear,
    "PNG, alpha, soft shadow": _shadowed,
    "PNG, grey": lambda ink: _saved(1 - ink),
    "PNG, 16 bit grey": _deep,
    "PNG, 1 bit": _bits,
    "PNG, grey stored as RGB": lambda ink: _saved(np.repeat(1 - ink[..., None], 3, axis=2)),
    "PNG, one colour": lambda ink: _saved(_mixed(ink, CREAM, RED)),
    "PNG, two colours": lambda ink: _saved(_mixed(ink, CREAM, RED, BLUE)),
    "JPEG, grey": lambda ink: _saved(1 - ink, "JPEG", quality=85),
    "JPEG, one colour": lambda ink: _saved(_mixed(ink, CREAM, RED), "JPEG", quality=85),
    "JPEG, unevenly lit": _lit,
    "TIFF, LZW, one colour": lambda ink: _saved(
        _mixed(ink, CREAM, RED), "TIFF", compression="tiff_lzw"
    ),
    "WebP, one colour": lambda ink: _saved(_mixed(ink, CREAM, RED), "WEBP", quality=85),
    "PNG, one of six asked for": lambda ink: _saved(_mixed(ink, CREAM, *SIX)),
    "PNG, two levels": lambda ink: _saved(_mixed(ink, CREAM, RED, BLUE)),
}
ASKED: dict[str, dict[str, object]] = {
    "PNG, one of six asked for": {"ink": "green"},
    "PNG, two levels": {"levels": 2},
}


def run(path: Path, asked: dict[str, object]) -> tuple[float, int]:
    """Return processor time in s and peak of memory in bytes of a process that reads a file."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(path), json.dumps(asked)],
        capture_output=True, check=True, text=True,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return took, int(done.stdout)


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.reading")
    parser.add_argument("--pixels", type=int, default=4096)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--only", default="")
    options = parser.parse_args(arguments)
    (drawing,) = drawings("material", 1)
    inks = [alpha(drawing, side) for side in (SMALL, options.pixels)]
    missed = False
    print(f"{'artwork':26}{'seconds':>9}{'bytes a px':>12}{'start-up':>10}")
    with tempfile.TemporaryDirectory() as folder:
        for name, kind in KINDS.items():
            if options.only not in name:
                continue
            (start, least), (took, peak) = (
                _least(kind(i), ASKED.get(name, {}), folder, options.repeat) for i in inks
            )
            seconds, each = took - start, (peak - least) / options.pixels**2
            missed |= seconds >= MOST_SECONDS or each >= MOST_BYTES
            print(f"{name:26}{seconds:9.2f}{each:12.1f}{start:10.2f}", flush=True)
    return int(missed)


def _least(data: bytes, asked: dict[str, object], folder: str, repeat: int) -> tuple[float, int]:
    path = Path(folder) / "artwork"
    path.write_bytes(data)
    runs = [run(path, asked) for _ in range(repeat)]
    return min(took for took, _ in runs), min(peak for _, peak in runs)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
