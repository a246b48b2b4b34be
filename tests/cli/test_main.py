"""The command line as a user meets it: statuses, one-line errors, start-up, help."""

import json
import re
import resource
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from tracer import __version__
from tracer.cli.main import COMMANDS, STATUS_HELP, main
from tracer.errors import Status

ROOT = Path(__file__).parents[2]


def tracer(*words: str, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "tracer", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def disc(tmp_path: Path) -> Path:
    """A disc of radius 150 px on transparent ground, exact to 1/64 of a pixel's coverage."""
    sub = 8
    y, x = np.mgrid[: 400 * sub, : 400 * sub] / sub + 0.5 / sub
    inside = ((x - 200) ** 2 + (y - 200) ** 2 <= 150**2).reshape(400, sub, 400, sub)
    alpha = np.rint(inside.mean(axis=(1, 3)) * 255).astype(np.uint8)
    rgba = np.dstack([np.zeros((400, 400, 3), np.uint8), alpha])
    path = tmp_path / "disc.png"
    Image.fromarray(rgba).save(path, dpi=(300, 300))
    return path


def one_line(text: str) -> str:
    lines = text.splitlines()
    assert len(lines) == 1, text
    assert lines[0].startswith("tracer: error: ")
    return lines[0]


def test_version() -> None:
    done = tracer("--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"tracer {__version__}\n", "")


@pytest.mark.parametrize("words", [(), *[(name,) for name in COMMANDS]])
def test_help_everywhere_with_one_example(words: tuple[str, ...]) -> None:
    done = tracer(*words, "--help")
    assert done.returncode == 0
    assert re.search("^examples?:", done.stdout, re.MULTILINE)
    assert not done.stderr


def test_every_status_stands_in_help_and_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for status in Status:
        assert str(int(status)) in STATUS_HELP
        assert f"| {int(status)} |" in readme


def test_start_up_is_light() -> None:
    """Processor time against a bare interpreter in the same run, the least of seven."""

    def seconds(*words: str) -> float:
        times = []
        for _ in range(7):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, *words], capture_output=True, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
        return min(times)

    bare = seconds("-c", "pass")
    assert seconds("-m", "tracer", "--version") - bare < 0.08
    assert seconds("-m", "tracer", "--help") - bare < 0.15


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; from tracer.cli.main import main; main(['outline', '--help']);"
        "print([m for m in ('numpy','cv2','shapely','skimage','PIL','ezdxf') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_no_arguments_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "usage" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["outline"], "ARTWORK"),
        (["trace", "x.png"], "invalid choice"),
        (["outline", "x.png", "--widht", "5"], "unrecognized"),
        (["outline", "x.png", "--width", "nan"], '--width: "nan" is not a length'),
        (["outline", "x.png", "--width", "0"], "--width"),
        (["outline", "x.png", "--width", "-1mm"], "--width"),
        (["outline", "x.png", "--width", "1,5"], "use a point: 1.5"),
        (["outline", "x.png", "--width", "5", "--height", "5"], "contradict"),
        (["outline", "x.png", "--width", "5", "--role", "flat"], "invalid choice"),
        (["check", "x.png", "--width", "5", "--sizes", "80mm..20mm"], "not the smaller"),
        (["outline", "x.png", "--width", "5", "--keep", "1,2"], "--keep"),
        (["processes", "pewter"], "not a known process"),
    ],
)
def test_wrong_use_is_one_line_and_status_2(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert says in one_line(err)
    assert not out


@pytest.mark.parametrize(
    "words",
    [
        ["outline", "nowhere.png", "--width", "5"],
        ["outline", "nowhere.png"],
        ["check", "nowhere.png", "--width", "5"],
        ["plan", "nowhere.png", "--blank", "disc:50", "--body", "5", "--raised", "1"],
    ],
)
def test_a_missing_artwork_is_named(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 1
    assert one_line(capsys.readouterr().err).startswith("tracer: error: nowhere.png: no such file")


def test_no_size_names_the_options_and_the_stored_density(
    disc: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """400 px at 300 dpi are 400 / 300 * 25.4 = 33.87 mm."""
    assert main(["outline", str(disc)]) == 2
    line = one_line(capsys.readouterr().err)
    for part in ("--width", "--height", "--pitch", "300 dpi", "33.9 x 33.9 mm"):
        assert part in line
    assert sorted(p.name for p in disc.parent.iterdir()) == ["disc.png"]


def test_outline_writes_three_files_and_ten_lines_at_most(
    disc: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["outline", str(disc), "--width", "30mm", "--role", "raised"]) == 0
    out, err = capsys.readouterr()
    assert not err
    assert len(out.splitlines()) <= 10
    assert sorted(p.name for p in disc.parent.iterdir()) == [
        "disc.html", "disc.json", "disc.png", "disc.svg",
    ]  # fmt: skip
    report = json.loads(disc.with_suffix(".json").read_text(encoding="utf-8"))
    assert report["drawing"]["width_mm"] == pytest.approx(30, abs=0.01)
    assert report["drawing"]["area_mm2"] == pytest.approx(np.pi * 15**2, rel=1e-3)
    assert report["verdict"] == "sound"


def test_an_earlier_output_is_replaced_and_nothing_else(
    disc: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["outline", str(disc), "--width", "30mm", "--role", "raised"]
    assert main(words) == 0
    first = disc.with_suffix(".svg").read_bytes()
    assert main(words) == 0
    assert disc.with_suffix(".svg").read_bytes() == first
    disc.with_suffix(".svg").write_text("<svg>the client's own</svg>", encoding="utf-8")
    capsys.readouterr()
    assert main(words) == 4
    assert "--overwrite" in one_line(capsys.readouterr().err)
    assert disc.with_suffix(".svg").read_text(encoding="utf-8").startswith("<svg>the client")
    assert main([*words, "--overwrite"]) == 0
    assert disc.with_suffix(".svg").read_bytes() == first


def test_dxf_beside_it(disc: Path) -> None:
    assert main(["outline", str(disc), "--width", "30mm", "--dxf", "--quiet"]) == 0
    assert disc.with_suffix(".dxf").read_text(encoding="utf-8").startswith("999\n")


def test_unwritable_output_is_status_4(disc: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = disc.parent / "no" / "such" / "place.svg"
    assert main(["outline", str(disc), "--width", "30mm", "-o", str(target)]) == 4
    one_line(capsys.readouterr().err)
    assert not target.parent.exists()


def test_check_writes_nothing_and_prints_only_json(
    disc: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(disc), "--width", "30mm", "--json"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["verdict"] == "sound"
    assert sorted(p.name for p in disc.parent.iterdir()) == ["disc.png"]


def test_check_of_several_is_a_list_and_a_bad_one_wins(
    disc: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = disc.with_name("bad.png")
    bad.write_bytes(b"not an image")
    assert main(["check", str(disc), str(bad), "--width", "30mm", "--json"]) == 1
    out, err = capsys.readouterr()
    one_line(err)
    reports = json.loads(out)
    assert reports[0]["verdict"] == "sound"
    assert reports[1]["error"]["code"] == "E_FORMAT"


def test_check_is_3_where_not_sound_as_drawn(disc: Path) -> None:
    assert main(["check", str(disc), "--width", "1mm", "--quiet"]) == 3


def test_unsafe_metal_is_refused_before_anything(
    disc: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["outline", str(disc), "--width", "30mm", "--alloy", "sterling-silver"]
    assert main(words) == 2
    line = one_line(capsys.readouterr().err)
    assert "980 °C" in line
    assert "300 °C" in line


def test_a_closed_pipe_is_quiet() -> None:
    done = subprocess.run(
        f"{sys.executable} -m tracer processes pewter-silicone | head -c 1;"
        " exit ${PIPESTATUS[0]}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 141)  # 0 when all was written before the reader left
    assert not done.stderr


def test_own_process_file(disc: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    done = tracer("processes", "pewter-silicone", "--toml")
    mine.write_text(done.stdout, encoding="utf-8")
    assert main(["check", str(disc), "--width", "30mm", "--process", str(mine), "--quiet"]) == 0


def test_check_prints_the_curve_of_sizes(disc: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A disc is an island below its limit of 1.6 mm and sound above."""
    words = ["check", str(disc), "--width", "30mm", "--role", "raised", "--sizes", "1mm..10mm"]
    assert main(words) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if "mm wide:" in line]
    assert len(lines) == 13
    assert "   1 places" in lines[0]
    assert lines[-1].endswith("sound")
    assert "   0 places" in lines[-1]
