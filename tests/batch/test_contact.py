"""The contact sheet and the tables of a set."""

import base64
import gc
import hashlib
import html.parser
import json
import os
import re
import shutil
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest

from tests.batch.sets import work_set
from tracer.batch.contact import PER_PAGE, SCRIPT, contact_pages
from tracer.batch.progress import Log, Progress
from tracer.batch.rows import Row, State
from tracer.batch.summary import counts, summary_json

CHROMIUM = shutil.which("chromium")
ROOT = Path(__file__).parents[2]


def row(number: int, **values: object) -> Row:
    plain: dict[str, object] = {
        "number": number, "shown": f"art {number}.png", "stem": f"art {number}",
        "state": State.DONE, "verdict": "sound", "width_mm": 40.0, "height_mm": 30.0,
        "smallest_safe_width_mm": 0.0, "pieces": 1,
        "files": (f"art {number}.html", f"art {number}.json", f"art {number}.svg"),
    }  # fmt: skip
    return Row(**(plain | values))  # type: ignore[arg-type] # fields by name


def page(out: Path, *rows: Row) -> str:
    return dict(contact_pages(rows, out, "set"))["index.html"]


class _Balance(html.parser.HTMLParser):
    """Notes elements that are closed in the wrong order, or never."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, _: object) -> None:
        if tag not in ("meta", "img", "input", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def balance(text: str) -> list[str]:
    parser = _Balance()
    parser.feed(text)
    return parser.wrong + parser.open


def test_the_ruler_of_markup_notices() -> None:
    assert balance("<ul><li></ul>")
    assert not balance("<ul><li><img></li></ul>")


ROWS = (
    row(0),
    row(1, verdict="at risk", kinds=(("narrow-gap", 2), ("neck", 1)), fixed=2, open=1,
        smallest_safe_width_mm=62.5, status=3),
    row(2, verdict="will not cast", smallest_safe_width_mm=None, kinds=(("hairline", 1),), fixed=1),
    row(3, state=State.FAILED, verdict="", code="E_EMPTY", message="empty file", hint="sync it",
        files=(), width_mm=None, height_mm=None),
    row(4, state=State.WAITING, verdict="", files=(), width_mm=None, height_mm=None),
    row(5, same_as="art 0.png", notes="for the <pilot>"),
)  # fmt: skip


def test_says_everything_about_each(tmp_path: Path) -> None:
    text = page(tmp_path, *ROWS)
    assert not balance(text)
    for words in (
        "6 artworks: 2 sound as drawn, 1 at risk, 1 will not cast as drawn, 1 could not be worked",
        "1 not done yet. 1 with places left open. 1 the same as another.",
        "40 mm × 30 mm, 1 piece, 0 openings", "Found: 2 narrow gaps, 1 neck; 2 mended.",
        "Sound as drawn from 62.5 mm wide.", "Sound as drawn at no size.", "1 place left open.",
        "empty file (sync it)", "the run ended before its turn", "Same artwork as art 0.png.",
        "for the &lt;pilot&gt;",
    ):  # fmt: skip
        assert words in text
    assert re.findall(r'<p class="name">(?:<a[^>]*>)?(art \d)', text) == [
        "art 3", "art 2", "art 1", "art 0", "art 5", "art 4",
    ]  # worst first  # fmt: skip


def test_the_policy_allows_this_script_and_no_other(tmp_path: Path) -> None:
    """W3C Content Security Policy Level 3: the hash is of the text between the tags."""
    text = page(tmp_path, *ROWS)
    [inline] = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    assert inline == SCRIPT
    digest = base64.b64encode(hashlib.sha256(inline.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in text
    assert "default-src 'none'" in text
    assert not re.search(r'(src|href)="(https?:|//|file:)', text)


def dom(path: Path, folder: Path) -> str:
    """Return the page as Chromium has it after its scripts ran."""
    assert CHROMIUM is not None
    command = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={folder / 'profile'}", "--dump-dom", path.as_uri(),
    ]  # fmt: skip
    return subprocess.run(command, capture_output=True, check=True, timeout=60, text=True).stdout


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")
def test_hostile_names_in_a_browser(tmp_path: Path) -> None:
    """With the policy on and removed: our script runs, none of a name does."""
    hostile = [
        "<img src=x onerror=document.title='ran'>", "\"><script>document.title='ran'</script>",
        "</title><script>document.title='ran'</script>", "' onmouseover='x", "javascript:alert(1)",
    ]  # fmt: skip
    rows = [row(n, shown=name, notes=name, same_as=name) for n, name in enumerate(hostile)]
    text = dict(contact_pages(rows, tmp_path, hostile[2]))["index.html"]
    planted = text.replace("</body>", "<script>document.title='ran'</script></body>")
    naked = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", planted)
    for name, content in (("on", text), ("planted", planted), ("naked", naked)):
        (tmp_path / f"{name}.html").write_text(content)
    without_policy = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    (tmp_path / "off.html").write_text(without_policy)
    for name in ("on", "off"):
        shown = dom(tmp_path / f"{name}.html", tmp_path)
        assert "<title>ran" not in shown
        assert re.search(r'<label class="sort">', shown)  # ours ran: the choice is shown
    # the ruler: a foreign script is stopped by the policy alone, and runs without it
    assert "<title>ran" not in dom(tmp_path / "planted.html", tmp_path)
    assert "<title>ran" in dom(tmp_path / "naked.html", tmp_path)


@pytest.mark.parametrize(("count", "pages"), [(500, 1), (501, 7), (600, 7)])
def test_a_large_set_has_several_pages(tmp_path: Path, count: int, pages: int) -> None:
    rows = [row(n, state=State.FAILED, message="cut off", files=()) if n == 550 else row(n)
            for n in range(count)]  # fmt: skip
    found = dict(contact_pages(rows, tmp_path, "set"))
    assert len(found) == pages
    cards = sum(text.count('<li class="card') for text in found.values())
    assert cards == count
    assert not [name for name, text in found.items() if balance(text)]
    if pages > 1:
        assert 'href="index-2.html"' in found["index-1.html"]
        assert found["index.html"].count('href="index-') == -(-count // PER_PAGE)
    if count == 600:
        assert "cut off" in found["index.html"]


def test_pages_of_a_set_that_was_larger_are_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracer.batch.contact.MOST_ON_ONE_PAGE", 2)
    monkeypatch.setattr("tracer.batch.contact.PER_PAGE", 2)
    source, out = tmp_path / "set", tmp_path / "out"
    source.mkdir()
    for number in range(5):
        (source / f"a{number}.png").write_text(f"art {number}")
    work_set(source, out)
    assert len(list(out.glob("index-*.html"))) == 3
    (out / "index-9.html").write_text("the client's own")
    (source / "a4.png").unlink()
    work_set(source, out)
    assert {p.name for p in out.glob("index-*.html")} == {
        "index-1.html", "index-2.html", "index-9.html",
    }  # fmt: skip


def pages_and_peak(folder: Path, count: int) -> tuple[int, int]:
    """Return the characters of the largest page of a set and the peak of memory, in bytes."""
    rows = [row(n) for n in range(count)]
    list(contact_pages(rows[:1], folder, "set"))  # what is loaded once is not what grows
    gc.collect()
    tracemalloc.start()
    largest = max(len(text) for _, text in contact_pages(rows, folder, "set"))
    return largest, tracemalloc.get_traced_memory()[1]


def test_memory_does_not_grow_with_the_pages(tmp_path: Path) -> None:
    """In a process of its own: threads that other tests left behind allocate as well."""
    work = f"from tests.batch.test_contact import *; print(*pages_and_peak(Path({str(tmp_path)!r}),"
    for count in (300, 3000):
        run = [sys.executable, "-c", f"{work}{count}))"]
        out = subprocess.run(run, check=True, capture_output=True, text=True, cwd=ROOT).stdout
        largest, peak = map(int, out.split())
        # one page as a whole, its parts before they are joined, and the text when substituted
        assert peak < 6 * largest, count


def test_summary_counts() -> None:
    found = json.loads(summary_json(ROWS, os.fsdecode(b"set\xff")))
    assert found["set"] == "set\\xff"
    assert found["complete"] is False
    assert found["counts"] == counts(ROWS) == {
        "artworks": 6, "sound": 2, "at risk": 1, "will not cast": 1, "failed": 1, "waiting": 1,
        "with_open_places": 1, "duplicates": 1,
    }  # fmt: skip
    assert found["artworks"][3]["error"] == {
        "code": "E_EMPTY", "message": "empty file", "hint": "sync it",
    }  # fmt: skip


def test_the_progress_line_fits_its_terminal() -> None:
    progress = Progress(10, quiet=True, log=Log(None))
    progress.finished(ROWS[0], worked=True)
    line = progress.line("evil\x1b[31m\nname.png", width=400)
    assert re.fullmatch(
        r"\[##\.{18}\] 1/10  [\d.]+/s  [\d:]+ left  evil\\x1b\[31m\\nname.png", line
    )
    assert len(progress.line("n" * 300, width=60)) == 59
    assert progress.line("x", width=0) == ""


def test_the_log_is_added_to(tmp_path: Path) -> None:
    path = tmp_path / "run.log"
    path.write_text("kept\n")
    log = Log(path)
    log.write("two\nlines")
    log.close()
    kept, added = path.read_text().splitlines()
    assert kept == "kept"
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d two\\nlines", added)
