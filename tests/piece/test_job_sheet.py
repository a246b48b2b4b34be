"""The job sheet in a browser: whatever an artwork or a process file is called is only shown."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.piece.test_plan import ring_png, run
from tests.write.browser import Browser, chromium
from tests.write.test_page import HOSTILE, POLICY
from tracer.process import load_process, process_toml

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as tab:
        yield tab


def sheet(folder: Path, hostile: str) -> Path:
    """Plan an artwork whose name, and whose process's every text, is hostile."""
    words = hostile.replace("\0", "").encode("utf-8", "replace").decode().replace("\\", "\\\\")
    words = words.replace('"', '\\"').replace("\x1b", "\\u001b")
    own = process_toml(load_process("pewter-silicone"))
    own = re.sub(r'(label|basis) = "[^"]*"', lambda found: f'{found[1]} = "{words}"', own)
    (folder / "own.toml").write_text(own, encoding="utf-8")
    # a file can be called anything but for a slash and the null byte
    art = ring_png(folder / hostile.replace("/", "\u2215").replace("\0", ""))
    status = run(str(art), "--blank", "disc:50mm", "--body", "5mm", "--raised", "0.2mm",
                 "--process", str(folder / "own.toml"), "--art-width", "30mm",
                 "--out", str(folder), "--quiet")  # fmt: skip
    assert status in (0, 3)
    [page] = folder.glob("*-job.html")
    return page


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_in_a_browser(browser: Browser, tmp_path: Path, name: str) -> None:
    page = sheet(tmp_path, name)
    text = page.read_text(encoding="utf-8")
    without = tmp_path / "without.html"
    without.write_text(POLICY.sub("", text), encoding="utf-8")
    assert without.read_text(encoding="utf-8") != text
    for path in (page, without):
        browser.open(path)
        assert browser.value("document.title") != "owned"
        assert browser.value("document.scripts.length") == 0
        assert browser.complaints == []
        assert browser.fetched == [path.as_uri()]
        assert browser.value("document.images.length") == 3
        assert browser.value("[...document.images].every(i => i.naturalWidth > 0)") is True


def test_a_planted_script_is_stopped_by_the_policy_alone(browser: Browser, tmp_path: Path) -> None:
    """The ruler."""
    page = sheet(tmp_path, "gull.png")
    owned = "<script>document.title='owned'</script></body>"
    text = page.read_text(encoding="utf-8").replace("</body>", owned)
    page.write_text(text, encoding="utf-8")
    browser.open(page)
    assert browser.value("document.title") != "owned"
    assert browser.complaints != []
    page.write_text(POLICY.sub("", text), encoding="utf-8")
    browser.open(page)
    assert browser.value("document.title") == "owned"
