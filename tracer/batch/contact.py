"""The contact sheet: every artwork before and after, to look through, sort, print and sign.

Self-contained: pictures are data addresses, and the one small script (sorting) is allowed by its
hash alone. Filtering is done by the style sheet, so the page is whole without a script.
"""

import base64
import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from string import Template
from urllib.parse import quote

from tracer import __version__
from tracer.batch.rows import Row, State, load_reports
from tracer.batch.summary import counts
from tracer.model import Kind, Verdict
from tracer.units import shown_length, shown_size
from tracer.write.pictures import mark_picture
from tracer.write.shown import Html, esc, joined, tag
from tracer.write.words import PLURALS, counted

MOST_ON_ONE_PAGE = 500
PER_PAGE = 100
MOST_LISTED = 200
LARGEST_DRAWING = 300_000
"""Bytes of SVG that are still put into the sheet."""

GROUPS = {
    "failed": "not worked",
    "no": "will not cast",
    "risk": "at risk",
    "sound": "sound",
    "waiting": "not done yet",
}
"""Class and words of each group, worst first: the order of the sheet."""

_OF_VERDICT = {Verdict.WILL_NOT_CAST: "no", Verdict.AT_RISK: "risk", Verdict.SOUND: "sound"}

SCRIPT = """
(function () {
  var sheet = document.querySelector('.sheet'), choice = document.querySelector('.sort select');
  if (!sheet || !choice) return;
  var cards = Array.prototype.slice.call(sheet.children);
  choice.parentNode.hidden = false;
  choice.addEventListener('change', function () {
    var key = choice.value;
    cards.sort(function (a, b) {
      var x = a.getAttribute('data-' + key), y = b.getAttribute('data-' + key);
      return (Number(x) - Number(y)) || (a.getAttribute('data-name') - b.getAttribute('data-name'));
    });
    cards.forEach(function (card) { sheet.appendChild(card); });
  });
})();
"""


def contact_pages(rows: Sequence[Row], out: Path, title: str) -> Iterator[tuple[str, str]]:
    """Yield file name and text of every page of the contact sheet, ``index.html`` last.

    Pictures are read from the outputs page by page, so that a large set needs little memory.
    """
    if len(rows) <= MOST_ON_ONE_PAGE:
        yield "index.html", _page(title, _whole(rows, out, title))
        return
    parts = [rows[start : start + PER_PAGE] for start in range(0, len(rows), PER_PAGE)]
    for number, part in enumerate(parts, start=1):
        heading = f"{title}, page {number} of {len(parts)}"
        yield f"index-{number}.html", _page(heading, _part(part, out, heading, number, len(parts)))
    yield "index.html", _page(title, _overview(rows, parts, title))


def group_of(row: Row) -> str:
    """Return the class of a row, a key of `GROUPS`."""
    return _OF_VERDICT[Verdict(row.verdict)] if row.state is State.DONE else str(row.state)


def _page(title: str, body: Html) -> str:
    template = resources.files("tracer").joinpath("data", "contact.html").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()
    return Template(template).substitute(
        title=esc(title),
        body=body,
        script=SCRIPT,
        script_hash=f"sha256-{digest}",
        marks="\n".join(_mark_rules()),
        filters="\n".join(_filter_rules()),
    )


def _mark_rules() -> Iterator[str]:
    for verdict, group in _OF_VERDICT.items():
        address = mark_picture(verdict).uri
        yield f'.{group} .mark, .mark.{group} {{ background-image: url("{address}"); }}'
    yield ".failed .mark, .mark.failed { border: 2px solid; transform: rotate(45deg) scale(.8); }"
    yield ".waiting .mark, .mark.waiting { border: 1px dashed currentColor; }"


def _filter_rules() -> Iterator[str]:
    for group in GROUPS:
        yield f"#show-{group}:checked ~ .sheet .card:not(.{group}) {{ display: none; }}"
    for group in ("all", *GROUPS):
        yield (
            f"#show-{group}:checked ~ .bar label[for=show-{group}]"
            " { border-color: var(--ink); box-shadow: inset 0 0 0 1px var(--ink); }"
        )
        yield (
            f"#show-{group}:focus-visible ~ .bar label[for=show-{group}]"
            " { outline: 2px solid var(--accent); outline-offset: 2px; }"
        )


def _whole(rows: Sequence[Row], out: Path, title: str) -> Html:
    return joined(_heading(rows, title), *_cards(rows, out), _sign_off(rows), _footer())


def _part(rows: Sequence[Row], out: Path, title: str, number: int, pages: int) -> Html:
    links = [tag("a", esc("all pages"), href="index.html")]
    for other, word in ((number - 1, "page before"), (number + 1, "next page")):
        if 1 <= other <= pages:
            links.append(tag("a", esc(word), href=f"index-{other}.html"))
    navigation = tag("p", *links, cls="pages")
    return joined(
        _heading(rows, title),
        navigation,
        *_cards(rows, out),
        _sign_off(rows),
        navigation,
        _footer(),
    )


def _overview(rows: Sequence[Row], parts: Sequence[Sequence[Row]], title: str) -> Html:
    """Return the first page of a set too large for one: the pages, and what went wrong."""
    head = [tag("th", esc("Page")), tag("th", esc("From")), tag("th", esc("To"))]
    head += [tag("th", esc(words), cls="n") for words in GROUPS.values()]
    lines = []
    for number, part in enumerate(parts, start=1):
        by = Counter(group_of(row) for row in part)
        cells = [tag("td", tag("a", esc(f"page {number}"), href=f"index-{number}.html"))]
        cells += [tag("td", esc(part[0].shown)), tag("td", esc(part[-1].shown))]
        cells += [tag("td", esc(str(by[group] or "")), cls="n") for group in GROUPS]
        lines.append(tag("tr", *cells))
    table = tag("table", tag("thead", tag("tr", *head)), tag("tbody", *lines), cls="index")
    bad = [row for row in rows if row.state is State.FAILED]
    failures = []
    if bad:
        some = "" if len(bad) <= MOST_LISTED else f", the first {MOST_LISTED} of {len(bad)}"
        failures = [
            tag("h2", esc(f"Not worked{some}")),
            tag(
                "table",
                *(
                    tag("tr", tag("td", esc(row.shown)), tag("td", esc(_reason(row))))
                    for row in bad[:MOST_LISTED]
                ),
                cls="index",
            ),
        ]
    return joined(_heading(rows, title), table, *failures, _sign_off(rows), _footer())


def _heading(rows: Sequence[Row], title: str) -> Html:
    number = counts(rows)
    words = {
        "sound": "sound as drawn",
        "at risk": "at risk",
        "will not cast": "will not cast as drawn",
        "failed": "could not be worked",
        "waiting": "not done yet",
    }
    parts = [f"{number[key]} {text}" for key, text in words.items() if number[key]]
    line = f"{counted(len(rows), 'artwork')}: {', '.join(parts)}."
    if number["with_open_places"]:
        line += f" {number['with_open_places']} with places left open."
    if number["duplicates"]:
        line += f" {number['duplicates']} the same as another."
    return joined(tag("h1", esc(title)), tag("p", esc(line)))


def _cards(rows: Sequence[Row], out: Path) -> Iterator[Html]:
    """Yield the switches, the bar that shows them, and the sheet of cards."""
    order = [*GROUPS]
    ranked = sorted(rows, key=lambda row: (order.index(group_of(row)), row.number))
    by = Counter(group_of(row) for row in rows)
    shown = [("all", f"all {len(rows)}")]
    shown += [(group, f"{words} {by[group]}") for group, words in GROUPS.items() if by[group]]
    for group, _ in shown:
        checked = " checked" if group == "all" else ""
        yield Html(f'<input type="radio" name="show" class="show" id="show-{group}"{checked}>')
    labels = []
    for group, words in shown:
        mark = tag("i", cls=f"mark {group}") if group != "all" else Html("")
        labels.append(tag("label", mark, esc(words), **{"for": f"show-{group}"}))
    ways = (("rank", "verdict"), ("name", "name"), ("safe", "smallest safe size"),
            ("places", "number of places"))  # fmt: skip
    options = [tag("option", esc(text), value=key) for key, text in ways]
    sort = tag("label", esc("order by"), tag("select", *options), cls="sort", hidden="hidden")
    yield tag("div", *labels, sort, cls="bar")
    yield Html('<ul class="sheet">')
    for rank, row in enumerate(ranked):
        yield _card(row, rank, out)
    yield Html("</ul>")


def _card(row: Row, rank: int, out: Path) -> Html:
    group = group_of(row)
    pages = [name for name in row.files if name.endswith(".html")]
    name = tag("a", esc(row.shown), href=_href(pages[0])) if pages else esc(row.shown)
    parts = [_pictures(row, out), tag("p", name, cls="name")]
    parts.append(tag("p", tag("i", cls="mark"), esc(GROUPS[group]), cls="word"))
    parts += [tag("p", esc(text), **attributes) for text, attributes in _facts(row)]
    links = [tag("a", esc(_kind(row, file)), href=_href(file)) for file in row.files]
    if links:
        parts.append(tag("p", *links, cls="files"))
    if row.state is State.DONE:
        boxes = [tag("span", esc("as shown")), tag("span", esc("change"), cls="line")]
        parts.append(tag("div", *boxes, cls="ok"))
    safe = row.smallest_safe_width_mm
    worst = 1e9 if row.state is State.DONE else 2e9
    return tag(
        "li",
        *parts,
        cls=f"card {group}",
        data_rank=str(rank),
        data_name=str(row.number),
        data_safe=f"{worst if safe is None else safe:g}",
        data_places=str(-(row.fixed + row.open + row.kept)),
    )


def _facts(row: Row) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield the lines of a card with their attributes."""
    if row.width_mm is not None and row.height_mm is not None:
        size = f"{shown_length(row.width_mm)} × {shown_length(row.height_mm)}"
        pieces = counted(row.pieces, "piece")
        yield f"{size}, {pieces}, {counted(row.openings, 'opening')}", {}
        if row.mass_g is not None:
            price = "" if row.price is None else f", price {row.price:.2f}"
            yield f"Planned piece: {row.mass_g:.1f} g{price}.", {}
        kinds = ", ".join(
            f"{count} {PLURALS[Kind(kind)] if count > 1 else kind.replace('-', ' ')}"
            for kind, count in row.kinds
        )
        if kinds:
            mended = f"; {row.fixed} mended" if row.fixed else ""
            yield f"Found: {kinds}{mended}.", {}
            safe = row.smallest_safe_width_mm
            from_size = "at no size" if safe is None else f"from {shown_size(safe)} wide"
            yield f"Sound as drawn {from_size}.", {}
        if row.open:
            yield f"{counted(row.open, 'place')} left open.", {"cls": "open"}
        elif row.status:
            yield "A width is below its limit: see the report.", {"cls": "open"}
    if row.same_as:
        yield f"Same artwork as {row.same_as}.", {}
    if row.notes:
        yield row.notes, {"cls": "note"}


def _pictures(row: Row, out: Path) -> Html:
    """Return the artwork and its outline side by side."""
    if row.state is State.FAILED:
        return tag("div", tag("div", esc(_reason(row))), cls="pair reason")
    if row.state is State.WAITING:
        return tag("div", tag("div", esc("the run ended before its turn")), cls="pair reason")
    outlines = [n for n in row.files if n.endswith(".svg") and not n.endswith("-plan.svg")]
    reports = load_reports(out, row.stem)
    before = reports[0]["record"]["thumbnail"] if reports else ""
    after = _drawing(out / outlines[0])
    cells = [
        tag("div", _image(before, f"{row.shown} as sent")),
        tag("div", _image(after, f"outline of {row.shown}")),
    ]
    several = len(outlines)
    outline = "outline" if several == 1 else f"first of {several} outlines"
    under = tag("div", tag("span", esc("artwork")), tag("span", esc(outline)), cls="under")
    return joined(tag("div", *cells, cls="pair"), under)


def _image(address: str, text: str) -> Html:
    if not address.startswith(("data:image/webp;base64,", "data:image/svg+xml;base64,")):
        return esc("see the report")
    return tag("img", src=address, alt=text, loading="lazy")


def _drawing(path: Path) -> str:
    """Return a written outline as a data address, empty if it is too large or gone."""
    try:
        if path.stat().st_size > LARGEST_DRAWING:
            return ""
        return "data:image/svg+xml;base64," + base64.b64encode(path.read_bytes()).decode()
    except OSError:
        return ""


def _sign_off(rows: Sequence[Row]) -> Html:
    fields = [("Name", ""), ("Date", ""), (f"Agreed: {counted(len(rows), 'artwork')}", "")]
    fields.append(("Changes wanted, by name of the artwork", "wide"))
    boxes = [tag("div", esc(text), **({"cls": cls} if cls else {})) for text, cls in fields]
    return joined(tag("h2", esc("Agreed")), tag("div", *boxes, cls="sign"))


def _footer() -> Html:
    text = f"Made by tracer {__version__}. Each artwork's page says what was changed, and why."
    return tag("footer", esc(text))


def _reason(row: Row) -> str:
    return f"{row.message} ({row.hint})" if row.hint else row.message


def _kind(row: Row, file: str) -> str:
    """Return what tells the files of an artwork apart: ``SVG``, or ``1.SVG`` of several."""
    return file.removeprefix(row.stem).lstrip(".-").upper().replace("HTML", "page")


def _href(name: str) -> str:
    """Return a relative address: percent-encoded, so that no name can be a scheme or a query."""
    return quote(name, safe="/")
