"""Every limit that `tracer limits` prints bites, and the option beside it moves it (issue 8)."""

import json
from collections.abc import Callable
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tests.batch.test_slots import answers
from tests.catalogue.files import GREY, INK, PNG, pages
from tests.raster.encode import encoded
from tests.raster.test_read import png_header
from tracer.batch.slots import memory_bytes
from tracer.bounds import ALL, COMPONENTS, FILE_BYTES, LEVELS, PAGES, PIXELS, POINTS, SIDE
from tracer.cli.main import main
from tracer.errors import InputError
from tracer.pipeline import trace
from tracer.settings import Settings, Size, SizeBy

Check = Callable[..., str]
"""From a file and options to the code of its error; empty where it is read."""

SPOTS = np.zeros((60, 60), np.uint8)
SPOTS[10:20, 10:20] = SPOTS[10:20, 40:50] = SPOTS[40:50, 10:20] = 255


@pytest.fixture
def check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Check:
    numbers = count()

    def code(data: bytes, words: str = "") -> str:
        path = tmp_path / f"{next(numbers)}.png"
        path.write_bytes(data)
        size = ("--width", "30mm", "--process", "as-drawn", "--json")
        status = main(["check", str(path), *size, *words.split()])
        found = json.loads(capsys.readouterr().out or "{}")
        if status in {0, 3}:
            return ""
        return str(found["error"]["code"]) if found else f"status {status}"

    return code


def two_pages() -> bytes:
    return encoded(GREY, "TIFF", save_all=True, append_images=[Image.new("L", GREY.size, 255)])


def the_file(check: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracer.bounds.FILE_BYTES", replace(FILE_BYTES, value=len(PNG) - 1))
    assert check(PNG, "--max-pixels 1") == "E_TOOBIG"
    assert check(PNG, f"--max-pixels {INK.size}") == ""


def the_pixels(check: Check, _: pytest.MonkeyPatch) -> None:
    assert check(png_header(PIXELS.value // 9000 + 1, 9000)) == "E_TOOMANYPIXELS"
    assert check(png_header(PIXELS.value // 9000 + 1, 9000), "--max-pixels 90000000") == (
        "E_TRUNCATED"
    )
    assert check(PNG, f"--max-pixels {INK.size - 1}") == "E_TOOMANYPIXELS"


def the_side(check: Check, _: pytest.MonkeyPatch) -> None:
    assert check(png_header(SIDE.value, 10)) == "E_TRUNCATED"
    assert check(png_header(SIDE.value + 1, 10)) == "E_TOOMANYPIXELS"
    assert check(png_header(SIDE.value + 1, 10), "--max-pixels 90000000") == "E_TRUNCATED"


def the_frames(check: Check, _: pytest.MonkeyPatch) -> None:
    assert check(two_pages()) == ""
    assert check(two_pages(), "--page 2") == "E_BLANK"


def the_pages(check: Check, _: pytest.MonkeyPatch) -> None:
    assert check(pages(PAGES.value + 1)) == "E_DAMAGED"
    assert check(pages(PAGES.value)) != "E_DAMAGED"


def the_components(check: Check, _: pytest.MonkeyPatch) -> None:
    data = encoded(Image.fromarray(255 - SPOTS), "PNG")
    assert check(data, "--max-pieces 3") == ""
    assert check(data, "--max-pieces 2") == "E_TOOCOMPLEX"
    grid = np.full((3 * 150, 3 * 150), 255, np.uint8)
    grid[1::3, 1::3] = 0
    assert grid.size // 9 > COMPONENTS.value
    assert check(encoded(Image.fromarray(grid), "PNG")) == "E_TOOCOMPLEX"


def the_points(_: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    disc = np.hypot(*np.mgrid[-99:100, -99:100]) < 80
    data = encoded(Image.fromarray(np.where(disc, 0, 255).astype(np.uint8)), "PNG")
    settings = Settings(Size(SizeBy.WIDTH, 30), process="as-drawn")
    monkeypatch.setattr("tracer.pipeline.POINTS", replace(POINTS, value=8))
    with pytest.raises(InputError) as caught:
        trace(data, "disc.png", replace(settings, tolerance_mm=0.005))
    assert caught.value.code == "E_TOOCOMPLEX"
    trace(data, "disc.png", replace(settings, tolerance_mm=0.3))


def the_levels(check: Check, _: pytest.MonkeyPatch) -> None:
    rings = np.minimum(np.hypot(*np.mgrid[-120:121, -120:121]) // 15, 7).astype(np.intp)
    colours = np.array([[200, 0, 0], [0, 160, 0], [0, 0, 220], [220, 200, 0], [0, 200, 220],
                        [200, 0, 200], [0, 0, 0], [255, 255, 255]], np.uint8)  # fmt: skip
    data = encoded(Image.fromarray(colours[rings]), "PNG")
    assert check(data, f"--levels {LEVELS.value}") == ""
    assert check(data, f"--levels {LEVELS.value + 1}") == "status 2"


def the_time(_: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracer.batch.slots.START_S", 3.0)
    assert answers(["HANG"], timeout_s=1.0)[0]["failure"]["code"] == "E_TIMEOUT"


def the_memory(_: Check, __: pytest.MonkeyPatch) -> None:
    assert answers(["STARVE"])[0]["failure"]["code"] == "E_MEMORY"
    assert memory_bytes(8) < memory_bytes(1)


BITES = {
    "file": the_file, "pixels": the_pixels, "side": the_side, "frames": the_frames,
    "pages": the_pages, "components": the_components, "points": the_points,
    "levels": the_levels, "time": the_time, "memory": the_memory,
}  # fmt: skip


def test_no_limit_is_left_out() -> None:
    assert set(BITES) == {bound.name for bound in ALL}
    assert [bound.name for bound in ALL if not bound.option] == ["pages"]


@pytest.mark.parametrize("name", BITES)
def test_the_limit_bites(name: str, check: Check, monkeypatch: pytest.MonkeyPatch) -> None:
    BITES[name](check, monkeypatch)
