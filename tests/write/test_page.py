"""The page: what it shows, that it fetches and runs nothing, that it prints at true scale."""

import html
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
import shapely

from tests.write.browser import Browser, chromium
from tests.write.results import all_kinds, finding, large_plate, plate
from tracer.model import Kind, Result
from tracer.process import Process
from tracer.write.page import MOST_DETAILS, make_page
from tracer.write.pictures import _clipped
from tracer.write.report import make_report

POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy"[^>]*>')
HOSTILE = (
    "<img src=x onerror=\"document.title='owned'\">.png",
    "\"><script>document.title='owned'</script>.png",
    "'></title></style><svg onload=\"document.title='owned'\">.png",
    "javascript:document.title='owned'.png",
    "ticket\u202egnp.exe\u2066\x00\x1b[31m\udcff.png",
    "$title ${body} {name} %s.png",
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as tab:
        yield tab


def page(result: Result) -> str:
    return make_page(result, make_report(result, files={"svg": "plate.svg"}))


def written(folder: Path, text: str, name: str = "page.html") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


class Links(HTMLParser):
    """Every address and handler in a page."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.handlers: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for key, value in attrs:
            if key in ("src", "href", "action", "srcset", "poster", "data"):
                self.addresses.append(value or "")
            if key.startswith("on"):
                self.handlers.append(key)


def test_every_finding_stands_in_the_page_with_its_figures() -> None:
    result = plate(*all_kinds())
    text = html.unescape(page(result))
    for number, (kind, item) in enumerate(zip(Kind, all_kinds(), strict=True), start=1):
        row = re.search(rf'<tr id="place-{number}">.*?</tr>', text)
        assert row is not None
        widths = () if kind is Kind.LOOSE_PIECE else ("0.4 mm", "0.8 mm")
        for shown in (str(kind).replace("-", " "), f"{4 * number:.2f}, 2.00", *widths,
                      item.action, "80 mm wide"):  # fmt: skip
            assert shown in row[0], (kind, shown)
        assert ("0.8 mm" in row[0]) is (kind is not Kind.LOOSE_PIECE)  # no matter of width
    assert "open" in text[text.index('id="place-8"') :]


def test_the_rest_of_what_a_client_signs_is_there() -> None:
    result = plate(*all_kinds())
    report = make_report(result, files={})
    text = html.unescape(make_page(result, report))
    for shown in (
        str(report["verdict_text"]), "Name", "Date", "Changes accepted", "--ink", "--width",
        "W_DENSITY", "shop rule, not a standard", "2 sides made parallel.", "medial balls",
        "gap of 0.41 mm", "The artwork as it came", "What was taken as ink", "licensed practice",
    ):  # fmt: skip
        assert shown in text, shown


def test_no_limits_no_table_of_limits() -> None:
    text = page(plate(process="as-drawn"))
    assert "The limits and where they come from" not in text
    assert "faithful" in text or "no casting limits were asked for" in text


def test_many_findings_all_listed_some_magnified() -> None:
    many = tuple(finding(i, Kind.NECK, (i % 20) * 2.0, (i // 20) * 1.5) for i in range(1, 261))
    text = page(plate(*many))
    assert len(re.findall(r'<tr id="place-', text)) == 260
    assert text.count('class="pair"') == MOST_DETAILS
    assert len(text) < 1_000_000


def test_open_places_are_magnified_first() -> None:
    many = [finding(i, Kind.NECK, i * 1.0, 2.0) for i in range(1, 40)]
    many[38] = finding(39, Kind.NECK, 39.0, 2.0, "open")
    assert "39. neck" in page(plate(*many))


def test_loose_pieces_are_magnified_last() -> None:
    """A sheet of coins had 23 of them, open and of no width, in place of what needs a look."""
    many = [finding(i, Kind.LOOSE_PIECE, i * 1.0, 2.0, "open") for i in range(1, 39)]
    many.append(finding(39, Kind.NECK, 39.0, 2.0))
    text = page(plate(*many))
    assert "39. neck, 0.4 mm, limit 0.8 mm" in text
    assert "1. loose piece: " in text


def test_small_and_quick() -> None:
    result = plate(*all_kinds())
    report = make_report(result, files={})
    make_page(result, report)  # imports
    taken = []
    for _ in range(3):
        before = time.process_time()
        make_page(result, report)
        taken.append(time.process_time() - before)
    assert len(make_page(result, report)) < 400_000
    assert min(taken) < 0.15


def test_the_same_result_gives_the_same_page() -> None:
    assert page(plate(*all_kinds())) == page(plate(*all_kinds()))


@pytest.mark.parametrize("name", HOSTILE)
def test_nothing_of_a_hostile_name_is_obeyed_or_fetched(name: str) -> None:
    result = plate(*all_kinds(), name=name)
    links = Links()
    links.feed(page(result))
    assert links.handlers == []
    assert {"script", "iframe", "object", "form", "base", "link"} & links.tags == set()
    assert all(address.startswith("data:image/") for address in links.addresses)
    page(result).encode("utf-8")
    assert "\u202e" not in page(result)


@pytest.mark.parametrize("policy", [True, False], ids=["with policy", "policy removed"])
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_in_a_browser(
    browser: Browser, tmp_path: Path, name: str, *, policy: bool
) -> None:
    result = plate(*all_kinds(), name=name)
    text = page(_hostile_process(result, name))
    assert POLICY.search(text)
    path = written(tmp_path, text if policy else POLICY.sub("", text))
    browser.open(path)
    assert browser.value("document.title") != "owned"
    assert browser.value("document.scripts.length") == 0
    assert browser.complaints == []
    assert browser.fetched == [path.as_uri()]
    assert browser.value("[...document.images].every(i => i.naturalWidth > 0)") is True


def _hostile_process(result: Result, name: str) -> Result:
    """Return the result with the name in every text that a user's file can carry."""
    old = result.process
    return replace(
        result,
        process=Process(name, name, old.mould, old.alloy, old.limits),
        fitted=replace(result.fitted, regularised=(name,)),
        mended=replace(
            result.mended,
            findings=tuple(replace(f, action=name, detail=name) for f in result.mended.findings),
        ),
        decisions=tuple(replace(d, text=name, option=name) for d in result.decisions),
    )


def test_the_browser_watch_notices_planted_faults(browser: Browser, tmp_path: Path) -> None:
    text = page(plate())
    owned = "<script>document.title='owned'</script><img src='nothing.png'>"
    planted = POLICY.sub("", text).replace("</body>", owned + "</body>")
    browser.open(written(tmp_path, planted))
    assert browser.value("document.title") == "owned"
    assert any("nothing.png" in url for url in browser.fetched)
    with_policy = text.replace("</body>", owned + "</body>")
    browser.open(written(tmp_path, with_policy, "refused.html"))
    assert browser.value("document.title") != "owned"
    assert browser.complaints != []


@pytest.mark.parametrize("width", [360, 414, 768, 1280])
def test_nothing_is_wider_than_the_screen(browser: Browser, tmp_path: Path, width: int) -> None:
    browser.open(written(tmp_path, page(plate(*all_kinds(), name="x" * 200 + ".png"))), width)
    assert browser.value("document.documentElement.scrollWidth") <= width


def test_the_outline_has_its_true_size_on_the_screen(browser: Browser, tmp_path: Path) -> None:
    browser.open(written(tmp_path, page(plate())))
    wide = browser.value("document.getElementById('true-size').getBoundingClientRect().width")
    # W3C CSS Values: 1in = 96px = 25.4mm; the picture is filled up to whole pixels, here by the
    # width of the view that its own text states
    view = re.search(r"viewBox='0%200%20([0-9.]+)%20", page(plate()).partition("at true size")[2])
    assert view is not None
    assert wide / float(view[1]) == pytest.approx(96 / 25.4, rel=1e-4)
    assert float(view[1]) - 40.0 < 25.4 / 96


DOTS_PER_MM = 20


def _widest_dark_run_mm(pdf: bytes) -> float:
    """Return the longest row of the metal's colour on the first sheet, in mm.

    Only where the colour goes on for 2 mm downward: the rims of rules and letters do not count.
    """
    document = pypdfium2.PdfDocument(pdf)
    picture = document[0].render(scale=DOTS_PER_MM * 25.4 / 72).to_numpy()[..., :3].astype(int)
    document.close()
    colour = np.array([0x44, 0x3F, 0x3A])  # tracer.write.pictures.METAL, blue first
    metal = np.abs(picture - colour).max(axis=2) < 12
    metal = metal[: -2 * DOTS_PER_MM] & metal[2 * DOTS_PER_MM :]
    longest = 0
    for row in metal[metal.any(axis=1)]:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
        longest = max(longest, int((edges[1::2] - edges[::2]).max()))
    return longest / DOTS_PER_MM


@pytest.mark.slow
def test_prints_at_true_scale_on_a4(browser: Browser, tmp_path: Path) -> None:
    browser.open(written(tmp_path, page(plate(*all_kinds()))))
    pdf = browser.pdf()
    document = pypdfium2.PdfDocument(pdf)
    width, height = document[0].get_size()
    document.close()
    # ISO 216: A4 is 210 x 297 mm
    assert (width * 25.4 / 72, height * 25.4 / 72) == pytest.approx((210, 297), abs=0.5)
    # one pixel of the rendering at either end
    assert _widest_dark_run_mm(pdf) == pytest.approx(40.0, abs=2 / DOTS_PER_MM)


@pytest.mark.slow
def test_the_printed_ruler_notices_a_wrong_scale(browser: Browser, tmp_path: Path) -> None:
    text = page(plate())
    grown = text.replace("width:152px;height:106px", "width:155px;height:109px")  # 2 % more
    assert grown != text
    browser.open(written(tmp_path, grown))
    assert abs(_widest_dark_run_mm(browser.pdf()) - 40.0) > 4 / DOTS_PER_MM


@pytest.mark.slow
def test_what_is_larger_than_a_sheet_says_its_scale(browser: Browser, tmp_path: Path) -> None:
    text = page(large_plate(352.0))
    assert "at 50 % of its size" in text  # 176 mm of a sheet for 352 mm
    browser.open(written(tmp_path, text))
    assert _widest_dark_run_mm(browser.pdf()) == pytest.approx(176.0, abs=2 / DOTS_PER_MM)


def test_a_sliver_at_the_edge_of_a_detail_is_clipped() -> None:
    """A leaf thinner than arithmetic that touches the frame stopped the page of the rigging."""
    leaf = shapely.Polygon([(1.05, 1.05), (1.05 - 1e-9, 1.05 - 4e-10), (1.05, 1.05)])
    square = shapely.box(0.2, 0.2, 0.4, 0.4)
    cut = _clipped(shapely.MultiPolygon([square, leaf]), shapely.box(0, 0, 1, 1))
    assert cut.area == pytest.approx(0.04)
