"""Rows of the catalogue about the command line, the disk and the surroundings."""

import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image, PngImagePlugin

from tests.batch.sets import tree
from tests.catalogue.files import GREY, PNG, RGB
from tests.raster.encode import encoded
from tracer.cli.main import main

PLAIN = ("--width", "30mm", "--process", "as-drawn")


@dataclass(frozen=True)
class Line:
    """A command line that is wrong, and what its one line has to say."""

    row: int
    words: tuple[str, ...]
    says: str


def _outline(row: int, says: str, *words: str) -> Line:
    return Line(row, ("outline", "a.png", *words), says)


_NO_NUMBERS = (
    "nan", "inf", "-1", "0", "1e400", "1e-320", "", "abc", "\uff11.\uff15", "1_0", "0x10", "1e3",
    "9" * 400, "1 2", "--1",
)  # fmt: skip

COMMANDS = (
    _outline(92, "out of range", "--width", "0.01mm"),
    _outline(92, "out of range", "--width", "100000mm"),
    _outline(92, "out of range", "--height", "0.05"),
    *(_outline(95, "--width", "--width", text) for text in _NO_NUMBERS),
    *(_outline(95, "--min-metal", *PLAIN, "--min-metal", text) for text in _NO_NUMBERS),
    *(_outline(95, "--threshold", *PLAIN, "--threshold", text) for text in ("nan", "2", "")),
    *(_outline(95, "--max-pixels", *PLAIN, "--max-pixels", text) for text in ("-1", "1.5", "1G")),
    _outline(95, "use a point: 1.5", "--width", "1,5"),
    _outline(96, "not a length", "--width", "0.8ft"),
    _outline(96, "not a length", "--width", "50 m"),
    _outline(97, "contradict", "--width", "5", "--height", "5"),
    Line(97, ("batch", "in", "--out", "o", "--width", "3", "--fit", "3x3"), "contradict"),
    Line(97, ("batch", "clash.csv", "--out", "o"), "contradict"),
    _outline(98, "no such file", *PLAIN[:2], "--process", "none.toml"),
    _outline(98, "is a directory", *PLAIN[:2], "--process", "folder.toml"),
    _outline(98, "0 tables", *PLAIN[:2], "--process", "nothing.toml"),
    _outline(98, "UTF-8", *PLAIN[:2], "--process", "binary.toml"),
    Line(98, ("plan", "none.toml"), "no such file"),
    Line(98, ("plan", "binary.toml"), "not valid TOML"),
    Line(98, ("batch", "binary.csv", "--out", "o"), "UTF-8"),
    _outline(99, "line 1", *PLAIN[:2], "--process", "broken.toml"),
    _outline(99, "twice.toml", *PLAIN[:2], "--process", "twice.toml"),
    Line(99, ("plan", "broken.toml"), "line 1"),
    Line(99, ("plan", "nan.toml"), "--body"),
    Line(99, ("plan", "huge.toml"), "--body"),
    _outline(99, "digits.toml", *PLAIN[:2], "--process", "digits.toml"),
    Line(99, ("plan", "digits.toml"), "not valid TOML"),
    Line(99, ("batch", "digits.toml", "--out", "o"), "not valid TOML"),
    _outline(100, "is --width meant?", "--widht", "5"),
    _outline(100, "is --process meant?", *PLAIN[:2], "--Process", "as-drawn"),
    _outline(100, "--zzz", *PLAIN, "--zzz"),
    Line(100, ("plan", "unknown.toml"), "bdoy"),
    *(Line(105, ("batch", "in", "--out", "o", "--width", "3", "--jobs", n), "--jobs")
      for n in ("-1", "10000", "abc", "1.5")),
)  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with an artwork and with every wrong kind of settings file."""
    monkeypatch.chdir(tmp_path)
    Path("a.png").write_bytes(PNG)
    Path("in").mkdir()
    Path("in/a.png").write_bytes(PNG)
    Path("folder.toml").mkdir()
    texts = {
        "nothing.toml": "", "broken.toml": "[a\nlabel = 1\n",
        "twice.toml": "[a]\nlabel = 'x'\nlabel = 'y'\n",
        "nan.toml": "artwork = 'a.png'\nblank = 'disc:50mm'\nbody = nan\nraised = 1\n",
        "huge.toml": f"artwork = 'a.png'\nblank = 'disc:50mm'\nbody = {'9' * 40}\nraised = 1\n",
        "digits.toml": f"body = {'9' * 5000}\n",
        "unknown.toml": "artwork = 'a.png'\nblank = 'disc:50mm'\nbdoy = 3\nraised = 1\n",
        "clash.csv": "file,width,height\na.png,5,5\n",
    }  # fmt: skip
    for name, text in texts.items():
        Path(name).write_text(text, encoding="utf-8")
    for name in ("binary.toml", "binary.csv"):
        Path(name).write_bytes(b"\xff\xfe\0\x81")
    return tmp_path


def one_line(text: str) -> str:
    assert text.count("\n") == 1, text
    assert text.startswith("tracer: error: ")
    return text


@pytest.mark.parametrize(
    "line", COMMANDS, ids=lambda line: f"{line.row}-{ascii(' '.join(line.words[-2:]))[:40]}"
)
def test_a_wrong_line_starts_nothing(
    line: Line, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = tree(bench)
    assert main(list(line.words)) == 2
    out, err = capsys.readouterr()
    assert line.says in one_line(err)
    assert not out
    assert tree(bench) == before


@pytest.mark.parametrize(
    ("kind", "code"),
    [("missing", "E_MISSING"), ("folder", "E_NOTFILE"), ("here", "E_NOTFILE"),
     ("pipe", "E_NOTFILE"), ("socket", "E_NOTFILE"), ("device", "E_NOTFILE"),
     ("dangling", "E_MISSING"), ("loop", "E_MISSING"), ("minus", "E_MISSING")],
)  # fmt: skip
@pytest.mark.parametrize("command", ["outline", "check", "plan"])
def test_what_is_no_file(
    command: str, kind: str, code: str, bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows 16, 17, 19 to 21 and 26, by every command: no hang, one line, status 1."""
    path = Path({"here": ".", "minus": "-"}.get(kind, "x.png"))
    server = socket.socket(socket.AF_UNIX)
    match kind:
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "socket":
            server.bind("x.png")
        case "device":
            path.symlink_to("/dev/zero")
        case "dangling":
            path.symlink_to("nothing")
        case "loop":
            path.symlink_to("x.png")
        case _:
            assert kind in ("missing", "here", "minus")  # nothing has to be there
    before = sorted(bench.rglob("*"))
    words = {"plan": ["--blank", "disc:50mm", "--body", "5", "--raised", "1"]}.get(command, PLAIN)
    assert main([command, str(path), *words]) == 1
    server.close()
    out, err = capsys.readouterr()
    one_line(err)
    assert not out
    if command == "check":
        assert main([command, str(path), *words, "--json"]) == 1
        assert json.loads(capsys.readouterr().out)["error"]["code"] == code
    assert sorted(bench.rglob("*")) == before


@pytest.mark.usefixtures("bench")
def test_a_name_like_an_option(capsys: pytest.CaptureFixture[str]) -> None:
    Path("-x.png").write_bytes(PNG)
    Path("in/--width.png").write_bytes(encoded(GREY.rotate(180), "PNG"))
    assert main(["outline", *PLAIN, "--quiet", "--", "-x.png"]) == 0
    assert Path("-x.svg").is_file()
    assert main(["batch", "in", "--out", "o", *PLAIN, "--quiet", "--jobs", "1"]) == 0
    assert Path("o/--width.svg").is_file()
    assert capsys.readouterr().err == ""


@pytest.mark.usefixtures("bench")
def test_the_same_name_twice_is_checked_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "a.png", "a.png", *PLAIN, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] == "sound"


def run(*words: str, folder: Path, **surroundings: str) -> "subprocess.CompletedProcess[bytes]":
    """Run the command with nothing but the given surroundings."""
    paths = os.pathsep.join(p for p in sys.path if p)
    return subprocess.run(
        [sys.executable, "-m", "tracer", *words], cwd=folder, capture_output=True, check=False,
        env={"PYTHONPATH": paths, **surroundings}, timeout=120,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(
    "surroundings",
    [{"LC_ALL": "POSIX", "PYTHONUTF8": "0"}, {"PYTHONIOENCODING": "cp1252"},
     {"PYTHONIOENCODING": "ascii", "TERM": "dumb", "COLUMNS": "0", "NO_COLOR": "1"}],
)  # fmt: skip
def test_a_poor_terminal(bench: Path, surroundings: dict[str, str]) -> None:
    """Row 108: shown as well as it can be, never a fault."""
    name = "caf\u00e9 \u2603.png"
    Path(name).write_bytes(PNG)
    done = run("outline", name, *PLAIN, folder=bench, **surroundings)
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"caf" in done.stdout
    failed = run("check", "\u2603.png", *PLAIN, folder=bench, **surroundings)
    assert failed.returncode == 1
    assert failed.stderr.count(b"\n") == 1


@pytest.mark.slow
def test_nowhere_to_be_at_home(bench: Path) -> None:
    """Row 134: no HOME, no TMPDIR; nothing is kept outside the output folder."""
    nowhere = {"HOME": "/nonexistent", "TMPDIR": "/nonexistent", "XDG_CACHE_HOME": "/nonexistent"}
    done = run("batch", "in", "--out", "o", *PLAIN, "--quiet", folder=bench, **nowhere)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
    done = run("outline", "a.png", *PLAIN, "--quiet", folder=bench)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


# ------------------------------------------------------------------ disks


@contextmanager
def disk(folder: Path, options: str) -> Iterator[Path]:
    """Mount a disk of memory; its content is made before it becomes what `options` say."""
    if sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root may mount a disk")
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    if subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("this machine lets nobody mount a disk")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.parametrize(
    "words",
    [("outline", "a.png", *PLAIN, "-o", "disk/a.svg"),
     ("outline", "a.png", *PLAIN, "-o", "disk/new/a.svg"),
     ("batch", "in", "--out", "disk", *PLAIN), ("batch", "in", "--out", "disk/new", *PLAIN),
     ("plan", "a.png", "--blank", "disc:50", "--body", "5", "--raised", "1", "--out", "disk"),
     ("demo", "--out", "disk/demo")],
    ids=lambda words: " ".join((words[0], words[-1])),
)  # fmt: skip
def test_a_read_only_disk(
    words: tuple[str, ...], bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with disk(bench / "disk", "ro") as folder:
        assert main([*words, "--quiet"] if words[0] != "demo" else list(words)) == 4
        one_line(capsys.readouterr().err)
        assert list(folder.iterdir()) == []


def test_a_full_disk(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Row 113: an earlier result stays whole, nothing new under a final name."""
    with disk(bench / "disk", "size=128k") as folder:
        assert main(["outline", "a.png", *PLAIN, "-o", "disk/a.svg", "--quiet"]) == 0
        first = tree(folder)
        room = 128 * 1024 - sum(len(text) for text in first.values())
        (folder / "ballast").write_bytes(bytes(max(0, room - 30_000) // 4096 * 4096))
        before = tree(folder)
        status = main(["outline", "a.png", "--width", "31mm", "--process", "as-drawn", "-o",
                       "disk/a.svg", "--quiet"])  # fmt: skip
        assert status == 4
        assert "full" in one_line(capsys.readouterr().err)
        assert tree(folder) == before


@pytest.mark.parametrize(
    "words",
    [("outline", "a.png", *PLAIN, "-o", "disk/new/a.svg"),
     ("batch", "in", "--out", "disk/new", *PLAIN, "--jobs", "1"),
     ("plan", "a.png", "--blank", "disc:50", "--body", "5", "--raised", "1", "--out", "disk/new"),
     ("demo", "--out", "disk/new")],
    ids=lambda words: words[0],
)  # fmt: skip
def test_a_disk_that_is_full_from_the_start(
    words: tuple[str, ...], bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Row 113: nothing stands under a final name, and nothing beside it is left."""
    with disk(bench / "disk", "size=16k") as folder:
        assert main([*words, "--quiet"] if words[0] != "demo" else list(words)) == 4
        assert "full" in one_line(capsys.readouterr().err)
        left = [path for path in folder.rglob("*") if path.is_file()]
        assert {path.name for path in left} <= {"index.html"}  # of a batch: what became of it
        assert all(path.read_text("utf-8").endswith("</html>\n") for path in left)


def test_a_name_of_255_bytes(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Row 121: a batch shortens the name of the outputs; a single outline says what is wrong."""
    name = "n" * 251 + ".png"
    Path("in", name).write_bytes(encoded(GREY.rotate(180), "PNG"))
    assert main(["batch", "in", "--out", "o", *PLAIN, "--quiet", "--jobs", "1"]) == 0
    assert len(list(Path("o").glob("n*.json"))) == 1
    before = tree(bench)
    assert main(["outline", f"in/{name}", *PLAIN]) == 4
    assert "too long" in one_line(capsys.readouterr().err)
    assert tree(bench) == before


# ------------------------------------------------------------------ metadata

SECRETS = ("A. Client", "Nowhere Lane", "<script>meta()</script>", "48.8583")


def metadata_files() -> dict[str, bytes]:
    """Return artworks that carry an author, a place and mark-up wherever a format lets them."""
    exif = Image.Exif()
    exif[0x013B], exif[0x010E], exif[0x8298] = SECRETS[0], SECRETS[2], SECRETS[1]
    exif.get_ifd(0x8825)[2] = (48.0, 51.0, 29.88)
    text = PngImagePlugin.PngInfo()
    for word, value in zip(("Author", "Location", "Comment", "GPS"), SECRETS, strict=True):
        text.add_text(word, value)
        text.add_itxt("XML:com.adobe.xmp", f"<x:xmpmeta>{value}</x:xmpmeta>")
    return {
        "text.png": encoded(GREY, "PNG", pnginfo=text, exif=exif),
        "exif.jpg": encoded(RGB, "JPEG", exif=exif, comment=SECRETS[1]),
        "exif.webp": encoded(RGB, "WEBP", exif=exif, xmp=SECRETS[2].encode()),
        "tags.tif": encoded(RGB, "TIFF", exif=exif),
        "comment.gif": encoded(GREY, "GIF", comment=SECRETS[0].encode()),
    }


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
def test_nothing_of_the_clients_metadata_comes_out() -> None:
    for name, data in metadata_files().items():
        assert any(secret.encode() in data for secret in SECRETS)  # the ruler: it is in there
        Path("in", name).write_bytes(data)
    assert main(["batch", "in", "--out", "o", *PLAIN, "--dxf", "--quiet"]) == 0
    plan = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--out", "o", "--quiet")
    assert main(["plan", "in/text.png", *plan]) in (0, 3)
    written = tree(Path("o"))
    assert len(written) > 20
    for name, content in written.items():
        for secret in SECRETS:
            assert secret.encode() not in content, name
