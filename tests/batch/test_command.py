"""`tracer batch` as a command, with the real work (issue 6)."""

import io
import json
import math
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from tests.batch.sets import tree
from tracer.cli.main import main


def draw(path: Path, size: tuple[int, int], *, pixels: int = 200) -> None:
    """Draw an oval of a size in pixels on a transparent square."""
    image = Image.new("RGBA", (pixels, pixels))
    left, top = (pixels - size[0]) // 2, (pixels - size[1]) // 2
    ImageDraw.Draw(image).ellipse((left, top, left + size[0] - 1, top + size[1] - 1), "black")
    out = io.BytesIO()
    image.save(out, "PNG")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(out.getvalue())


@pytest.fixture
def source(tmp_path: Path) -> Path:
    folder = tmp_path / "Heron Ferry"
    draw(folder / "buoy.png", (160, 80))
    draw(folder / "signs" / "lantern.png", (40, 120))
    return folder


def report(out: Path, stem: str) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = json.loads((out / f"{stem}.json").read_text())
    return found


def run(*words: object) -> int:
    return main(["batch", *map(str, words)])


@pytest.mark.slow
def test_one_size_for_all(source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert run(source, "--out", out, "--width", "30mm", "--process", "as-drawn", "--dxf") == 0
    said, errors = capsys.readouterr()
    assert said.splitlines() == ["2 artworks: 2 sound", f"open {out / 'index.html'}"]
    assert errors == ""  # no progress where there is no terminal
    for stem in ("buoy", "signs/lantern"):
        assert report(out, stem)["drawing"]["width_mm"] == pytest.approx(30, abs=0.05)  # issue 2
        assert sorted(p.suffix for p in (out / stem).parent.glob(f"{Path(stem).name}.*")) == [
            ".dxf", ".html", ".json", ".svg",
        ]  # fmt: skip
    first = tree(out)
    assert run(source, "--out", out, "--width", "30mm", "--process", "as-drawn", "--dxf") == 0
    assert "2 done by an earlier run" in capsys.readouterr().out
    assert tree(out) == first
    command = (source, "--out", out, "--width", "30", "--process", "as-drawn", "--dxf")
    assert run(*command, "--again", "--jobs", 1, "--quiet") == 0
    assert capsys.readouterr() == ("", "")
    assert tree(out) == first  # the same bytes with one worker


@pytest.mark.slow
def test_in_a_box_and_at_one_scale(source: Path, tmp_path: Path) -> None:
    boxed, scaled = tmp_path / "boxed", tmp_path / "scaled"
    plain = ("--process", "as-drawn", "--quiet")
    assert run(source, "--out", boxed, "--fit", "40x30mm", *plain) == 0
    assert report(boxed, "buoy")["drawing"]["width_mm"] == pytest.approx(40, abs=0.05)
    assert report(boxed, "signs/lantern")["drawing"]["height_mm"] == pytest.approx(30, abs=0.05)
    assert run(source, "--out", scaled, "--same-scale", "--width", "40mm", *plain) == 0
    assert report(scaled, "buoy")["drawing"]["width_mm"] == pytest.approx(40, abs=0.05)
    # 40 of 160 pixels; half a pixel of play at each end for an edge that is drawn without greys
    assert report(scaled, "signs/lantern")["drawing"]["width_mm"] == pytest.approx(10, abs=0.25)
    assert run(source, "--out", scaled, "--same-scale", "--fit", "90x30", *plain) == 0
    assert report(scaled, "signs/lantern")["drawing"]["height_mm"] == pytest.approx(30, abs=0.05)
    assert report(scaled, "buoy")["drawing"]["width_mm"] == pytest.approx(40, abs=0.25)


@pytest.mark.slow
def test_a_line_may_carry_a_plan(source: Path, tmp_path: Path) -> None:
    """Issue 7: every file of the plan beside the outline; mass and price in index and tables."""
    out, sheet = tmp_path / "out", source / "jobs.csv"
    draw(source / "buoy-plan.png", (50, 50))  # its outline would be named as a file of the plan
    (source / "piece.toml").write_text(
        'blank = "disc:50mm"\nbody = "5mm"\nraised = "1mm"\ndraft = 0\n'
        "price-kg = 60\nhour-rate = 30\nminutes = 20\n"
    )
    sheet.write_text(
        "file,width,plan\nbuoy.png,30mm,piece.toml\nbuoy-plan.png,20mm,\nsigns/lantern.png,9,\n"
    )
    words = (sheet, "--out", out, "--process", "as-drawn", "--quiet")
    assert run(*words) in (0, 3)
    summary = json.loads((out / "summary.json").read_text())
    first, *others = summary["artworks"]
    assert {Path(name).name.removeprefix(first["stem"]) for name in first["files"]} == {
        ".svg", ".json", ".html", "-plan.svg", "-plan.dxf", "-plan.json", "-master.3mf",
        "-master.stl", "-job.html",
    }  # fmt: skip
    plan = json.loads((out / f"{first['stem']}-plan.json").read_text())
    # a disc of 50 x 5 and an ellipse of 30 x 15 x 1, pi/4 a b; 7.28 g/cm3; the edge within 0.1 mm
    grams = 7.28e-3 * math.pi / 4 * (2500 * 5 + 450)
    assert first["mass_g"] == plan["mass_g"] == pytest.approx(grams, abs=0.05)
    assert first["price"] == plan["cost"] >= 10 + 60 * grams / 1000
    assert all(other["mass_g"] is None for other in others)
    names = [name for art in summary["artworks"] for name in art["files"]]
    assert len(names) == len(set(names)) == 9 + 3 + 3
    text = (out / "index.html").read_text()
    assert f"Planned piece: {first['mass_g']:.1f} g, price {first['price']:.2f}." in text
    before = tree(out)
    assert run(*words, "--jobs", 1) in (0, 3)
    assert tree(out) == before  # nothing to do
    (out / f"{first['stem']}-master.stl").unlink()
    assert run(*words) in (0, 3)
    assert tree(out) == before


def test_a_plan_that_is_wrong_starts_nothing(
    source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = source / "jobs.csv"
    sheet.write_text("file,width,plan\nbuoy.png,30mm,piece.toml\n")
    for text, says in (
        ('body = "5mm"\n', "--blank is missing"), ("blank = 3\nbdoy = 3\n", "bdoy"),
        ('artwork = "x.png"\n', "does not belong"), (None, "no such file"),
    ):  # fmt: skip
        (source / "piece.toml").unlink(missing_ok=True)
        if text is not None:
            (source / "piece.toml").write_text(text)
        assert run(sheet, "--out", tmp_path / "out") == 2
        line = capsys.readouterr().err
        assert says in line
        assert "piece.toml" in line
        assert line.count("\n") == 1
        assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_repairs_do_not_push_a_set_out_of_its_box(tmp_path: Path) -> None:
    """A cross of hairlines becomes wider by its repair, and it is not the largest of the set."""
    folder, out = tmp_path / "set", tmp_path / "out"
    draw(folder / "oval.png", (160, 160))
    image = Image.new("RGBA", (200, 200))
    for box in ((98, 21, 101, 178), (21, 98, 178, 101), (19, 60, 22, 140), (178, 60, 181, 140)):
        ImageDraw.Draw(image).rectangle(box, "black")
    image.save(folder / "cross.png")
    assert run(folder, "--out", out, "--same-scale", "--fit", "20x20mm", "--quiet") in (0, 3)
    sides = [report(out, stem)["drawing"] for stem in ("oval", "cross")]
    assert max(max(s["width_mm"], s["height_mm"]) for s in sides) <= 20 + 1e-3
    first = tree(out)
    assert run(folder, "--out", out, "--same-scale", "--fit", "20x20mm", "--quiet") in (0, 3)
    assert tree(out) == first


@pytest.mark.slow
def test_a_process_of_the_users_own(
    source: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert main(["processes", "pewter-sand", "--toml"]) == 0
    text = capsys.readouterr().out.replace("[pewter-sand", "[mine")
    monkeypatch.chdir(tmp_path)
    Path("mine.toml").write_text(text)
    command = (source, "--out", "out", "--width", "30", "--process", "mine.toml", "--quiet")
    assert run(*command) in (0, 3)
    times = [p.stat().st_mtime_ns for p in sorted(Path("out").glob("*.svg"))]
    Path("mine.toml").write_text(text.replace("label", "# changed\nlabel", 1))
    run(*command)  # another text under the same name is another process
    assert times != [p.stat().st_mtime_ns for p in sorted(Path("out").glob("*.svg"))]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "no folder or job sheet"),
        (("IN",), "no --out"),
        (("IN", "--out", "o"), "no size given"),
        (("IN", "--out", "o", "--width", "3", "--fit", "3x3"), "contradict"),
        (("IN", "--out", "o", "--same-scale"), "--same-scale needs a size"),
        (("IN", "--out", "o", "--fit", "3"), "not WxH"),
        (("IN", "--out", "o", "--fit", "3xinf"), "not a length"),
        (("IN", "--out", "o", "--width", "3", "--jobs", "-1"), "--jobs"),
        (("IN", "--out", "o", "--width", "3", "--jobs", "10000"), "--jobs"),
        (("IN", "--out", "o", "--width", "3", "--timeout", "nan"), "--timeout"),
        (("IN", "--out", "o", "--width", "3", "--scheduler", "here"), "--scheduler"),
        (("IN", "--out", "o", "--width", "3", "--keep-finding", "3"), "tracer outline"),
        (("IN", "--out", "o", "--width", "3", "--log", "IN/buoy.png"), "is an input"),
        (("none", "--out", "o", "--width", "3"), "no such file"),
        (("none.csv", "--out", "o", "--width", "3"), "no such file"),
    ],
)
def test_wrong_use_starts_nothing(
    source: Path,
    tmp_path: Path,
    words: tuple[str, ...],
    says: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    before = tree(tmp_path)
    assert run(*(word.replace("IN", str(source)) for word in words)) == 2
    _, errors = capsys.readouterr()
    assert errors.startswith("tracer: error: ")
    assert errors.count("\n") == 1
    assert says in errors
    assert tree(tmp_path) == before


@pytest.mark.parametrize("kind", ["csv", "toml"])
def test_the_template_is_printed(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--template", kind) == 0
    assert "heron.png" in capsys.readouterr().out


def test_bad_files_are_said_one_line_each(
    source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (source / "empty.png").touch()
    (source / "two\nlines.png").write_bytes(b"GIF8")
    (source / os.fsdecode(b"logo\xff.png")).write_bytes((source / "buoy.png").read_bytes())
    out = tmp_path / "out"
    assert run(source, "--out", out, "--width", "30", "--process", "as-drawn") == 1
    said, errors = capsys.readouterr()
    lines = errors.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("tracer: error: empty.png: ")
    assert lines[1].startswith("tracer: error: two\\nlines.png: ")
    assert "1 the same as another" in said
    summary = json.loads((out / "summary.json").read_text())
    [twin] = [art for art in summary["artworks"] if art["same_as"]]
    assert (twin["file"], twin["same_as"]) == ("logo\\xff.png", "buoy.png")


@pytest.mark.skipif(sys.platform != "linux", reason="a terminal of Linux")
def test_progress_is_shown_on_a_terminal_and_cleared(source: Path, tmp_path: Path) -> None:
    parent, child = pty.openpty()
    command = [sys.executable, "-m", "tracer", "batch", str(source), "--out", str(tmp_path / "out"),
               "--width", "30", "--process", "as-drawn"]  # fmt: skip
    with subprocess.Popen(command, stderr=child, stdout=subprocess.DEVNULL) as process:
        os.close(child)
        seen = b""
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            try:
                block = os.read(parent, 4096)
            except OSError:  # how Linux says that nobody holds the other end
                break
            if not block:
                break
            seen += block
    os.close(parent)
    assert process.returncode == 0
    assert b"] 2/2 " in seen
    assert seen.endswith(b"\r\x1b[K")
    assert b"\x1b[3" not in seen  # no colour, so NO_COLOR has nothing to turn off
