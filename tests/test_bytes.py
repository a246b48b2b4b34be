"""The same artwork and settings give the same files, byte for byte, in every process."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from tests.pythons import differing

SEEDS = range(6)
"""Of the hashes of text, by which Python orders sets: each process has another."""


def artwork(folder: Path) -> Path:
    image = Image.new("RGBA", (200, 160))
    pen = ImageDraw.Draw(image)
    pen.ellipse((20, 20, 180, 140), fill="black")
    pen.rectangle((90, 60, 110, 100), fill=(0, 0, 0, 0))
    image.save(folder / "buoy.png")
    return folder / "buoy.png"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "files"),
    [
        (("outline", "--width", "30mm", "--dxf", "-o", "{out}/buoy.svg"), 4),
        (
            ("plan", "--blank", "disc:40mm", "--body", "4mm", "--raised", "1mm", "--hole", "3mm",
             "--art-width", "20mm", "--out", "{out}"),
            6,
        ),
    ],
)  # fmt: skip
def test_the_order_of_sets_does_not_show(
    words: tuple[str, ...], files: int, tmp_path: Path
) -> None:
    """Found by working one set twice: the list of classes in a DXF differed."""
    source, found = artwork(tmp_path), []
    for seed in SEEDS:
        out = tmp_path / str(seed)
        out.mkdir()
        subprocess.run(
            [sys.executable, "-m", "tracer", words[0], source,
             *(word.format(out=out) for word in words[1:])],
            env={**os.environ, "PYTHONHASHSEED": str(seed)},
            capture_output=True,
            check=False,  # open places are status 3
        )  # fmt: skip
        found.append({path.name: path.read_bytes() for path in sorted(out.iterdir())})
    assert len(found[0]) == files
    assert all(one == found[0] for one in found)


def test_a_byte_more_or_a_file_less_is_noticed() -> None:
    """The ruler of `tests/pythons.py`, which compares what several Pythons write."""
    assert differing([{"a.svg": "1", "b": "2"}, {"a.svg": "1", "b": "2"}]) == []
    assert differing([{"a.svg": "1", "b": "2"}, {"a.svg": "1", "b": "3"}]) == ["b"]
    assert differing([{"a.svg": "1"}, {"a.svg": "1"}, {"a.svg": "1", "b": "3"}]) == ["b"]
