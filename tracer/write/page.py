"""The report for people: one self-contained HTML page that also prints at true scale.

No script, nothing fetched: pictures stand in the page as data addresses, where a script in them
could never run, and a content security policy forbids the rest. Everything that comes from
outside (names, settings, messages) is escaped by `tracer.write.shown`.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from importlib import resources
from string import Template
from typing import Any

import shapely

from tracer.curves.path import Path
from tracer.curves.regions import as_region
from tracer.model import Finding, Kind, Region, Result, Verdict
from tracer.units import CSS_PX_PER_MM, shown_length, shown_size
from tracer.write.page_facts import curve, decisions, facts, footer, limits, sign_off, width_maps
from tracer.write.pictures import (
    Picture,
    detail_pictures,
    hatch_picture,
    mark_picture,
    outline_picture,
    overlay_picture,
)
from tracer.write.shown import Html, esc, joined, tag
from tracer.write.words import PLURALS, is_shop_rule, sound_from

MOST_DETAILS = 24
"""Places shown magnified; all of them stand in the table."""

_PAPER_MM = (176.0, 240.0)
"""What a sheet of A4 holds at true size within its margins."""


def make_page(result: Result, report: Mapping[str, Any]) -> str:
    """Return the page of a result; `report` is what `make_report` made of it.

    The same result gives the same text. Lengths on paper are true when printed at 100 %; the scale
    bar shows whether they are.
    """
    name = report["artwork"]["file"]
    sections = [
        _head(result, report),
        _true_size(result, report),
        _changes(result, report),
        width_maps(result, report),
        curve(result, report),
        decisions(result, report),
        limits(report),
        facts(report),
        sign_off(report),
        footer(report),
    ]
    template = resources.files("tracer").joinpath("data", "page.html").read_text(encoding="utf-8")
    return Template(template).substitute(
        title=esc(f"{name}: {report['verdict']}"), body=joined(*sections)
    )


def _head(result: Result, report: Mapping[str, Any]) -> Html:
    drawing, verified, process = report["drawing"], report["verified"], report["process"]
    size = f"{shown_length(drawing['width_mm'])} × {shown_length(drawing['height_mm'])}"
    cells = [
        ("Process", process["label"], "wide"),
        ("Finished size", size, ""),
        ("Used as", process["role"], ""),
        ("Least metal now", _length(verified["least_metal_mm"]), ""),
        ("Least gap now", _length(verified["least_gap_mm"]), ""),
        ("Sound as drawn from", sound_from(report), ""),
        ("Brought to", f"{process['grade']} limits", ""),
    ]
    boxes = [
        tag("div", tag("dt", esc(word)), tag("dd", esc(text)), **({"cls": cls} if cls else {}))
        for word, text, cls in cells
    ]
    return joined(
        tag("h1", esc(report["artwork"]["file"])),
        tag("p", _mark(result.mended.verdict), esc(report["verdict_text"]), cls="verdict"),
        tag("dl", *boxes, cls="head"),
    )


def _true_size(result: Result, report: Mapping[str, Any]) -> Html:
    drawing = report["drawing"]
    picture = outline_picture(result, _bar_mm(drawing["width_mm"]))
    scale = min(1.0, _PAPER_MM[0] / picture.width, _PAPER_MM[1] / picture.height)
    wide_px = math.floor(picture.width * scale * CSS_PX_PER_MM + 1e-6)  # whole, see the picture
    high_px = math.ceil(wide_px * picture.height / picture.width - 1e-6)
    if scale < 1:
        heading = f"The finished outline, at {100 * scale:.0f} % of its size"
        note = "Too large for a sheet of A4; the bar is drawn to the same scale."
    else:
        heading = "The finished outline at true size"
        note = "Print at 100 %, not “fit to page”, and check the bar with a rule."
    return joined(
        tag("h2", esc(heading)),
        tag(
            "div",
            tag(
                "div",
                tag(
                    "img",
                    src=picture.uri,
                    alt="The finished outline over a scale bar",
                    id="true-size",
                    style=f"width:{wide_px}px;height:{high_px}px",
                ),
                cls="plate",
            ),
            cls="true",
        ),
        tag("p", esc(note), cls="soft"),
    )


def _changes(result: Result, report: Mapping[str, Any]) -> Html:
    findings = result.mended.findings
    if not findings:
        lead = "No place breaks a limit. Grey is the artwork, the line is the finished outline."
    else:
        lead = "Grey is the artwork, the line the finished outline; hatched is what was changed."
    overlay = overlay_picture(result)
    kinds = sorted({finding.kind for finding in findings}, key=list(Kind).index)
    key = [
        tag("li", _img(hatch_picture(kind), ""), esc(f"{PLURALS[kind]} ({_count(findings, kind)})"))
        for kind in kinds
    ]
    return joined(
        tag("h2", esc("What was changed"), cls="sheet"),
        tag("p", esc(lead), cls="lead"),
        tag(
            "figure",
            tag("div", _img(overlay, "The artwork with the finished outline over it"), cls="plate"),
            *([tag("ul", *key, cls="key")] if key else []),
        ),
        *([_table(report), _details(result)] if findings else []),
    )


def _table(report: Mapping[str, Any]) -> Html:
    names = ("No.", "Kind", "Place x, y", "Width", "Limit", "What was done", "Sound from")
    head = tag("tr", *(tag("th", esc(name), scope="col") for name in names))
    rows = [_row(finding, report, names) for finding in report["findings"]]
    return joined(
        tag("h3", esc("Every place")),
        tag(
            "p",
            esc(
                "Places in mm from the top-left corner of the finished outline; widths as measured"
                " on the artwork; “sound from” is the width of the piece from which the place needs"
                " no change."
            ),
            cls="soft",
        ),
        tag("table", tag("thead", head), tag("tbody", *rows), cls="cards"),
    )


def _row(finding: Mapping[str, Any], report: Mapping[str, Any], names: Sequence[str]) -> Html:
    limit = report["process"]["limits"][finding["limit_of"]]
    source = "shop rule" if is_shop_rule(limit["evidence"]) else limit["evidence_text"]
    x, y = finding["at_mm"]
    sound = finding["sound_from_width_mm"]
    status = finding["status"]
    more = [text for text in (finding["detail"], _lost(finding)) if text]
    action = esc(finding["action"])
    if status != "fixed" and not finding["action"].startswith(("left", status)):
        action = joined(esc(f"{status}: "), action)
    cells = (
        esc(str(finding["number"])),
        esc(finding["kind"].replace("-", " ")),
        esc(f"{x:.2f}, {y:.2f}"),
        *_width_and_limit(finding, source),
        joined(
            tag("span", action, **({"cls": "open"} if status == "open" else {})),
            *(tag("small", esc(text)) for text in more),
        ),
        esc("no size" if sound is None else f"{shown_size(sound)} wide"),
    )
    full = {5: "full"}
    return tag(
        "tr",
        *(
            tag("td", cell, data_label=names[i], **({"cls": full[i]} if i in full else {}))
            for i, cell in enumerate(cells)
        ),
        id=f"place-{finding['number']}",
    )


def _width_and_limit(finding: Mapping[str, Any], source: str) -> tuple[Html, Html]:
    """Return two cells; a loose piece is not a matter of width."""
    if finding["kind"] == Kind.LOOSE_PIECE:
        return esc("–"), esc("–")
    limit = esc(_limit_length(finding["limit_mm"]))
    return (
        esc(shown_length(finding["width_mm"])),
        joined(limit, esc(" "), tag("small", esc(source), cls="in")),
    )


def _details(result: Result) -> Html:
    findings = result.mended.findings
    finished = _as_drawn(result)
    figures = [_detail(result, finding, finished) for finding in _worth_a_look(findings)]
    count = "" if len(figures) == len(findings) else f" (the {len(figures)} most in need of a look)"
    return joined(
        tag("h3", esc(f"Before and after, magnified{count}")),
        tag(
            "p",
            esc(
                "Left the artwork's own pixels with the place marked, right the finished outline."
                " The dashed circle has the limit as its diameter."
            ),
            cls="soft lead",
        ),
        tag("div", *figures, cls="details"),
    )


def _detail(result: Result, finding: Finding, finished: Region) -> Html:
    before, after = detail_pictures(result, finding, finished)
    kind = str(finding.kind).replace("-", " ")
    against = f", {shown_length(finding.width_mm)}" if finding.kind is not Kind.LOOSE_PIECE else ""
    if against and finding.limit_mm:
        against += f", limit {shown_length(finding.limit_mm)}"
    text = f"{finding.number}. {kind}{against}: {finding.action}"
    return tag(
        "figure",
        tag(
            "div",
            _img(before, f"Place {finding.number} as drawn"),
            _img(after, f"Place {finding.number} as finished"),
            cls="pair",
        ),
        tag("figcaption", esc(f"{text} · {shown_length(before.width)} across")),
    )


def _worth_a_look(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings to magnify: open ones first, then the worst, in order of number.

    Of a loose piece there is nothing to see that the large picture does not show.
    """

    def rank(f: Finding) -> tuple[bool, bool, float, int]:
        loose = f.kind is Kind.LOOSE_PIECE
        return loose, f.status != "open", f.width_mm / (f.limit_mm or 1.0), f.number

    ranked = sorted(findings, key=rank)
    return sorted(ranked[:MOST_DETAILS], key=lambda f: f.number)


def _as_drawn(result: Result) -> Region:
    """Return the fitted drawing as a region, within a twentieth of the fit tolerance."""

    def ring(path: Path) -> list[tuple[float, float]]:
        points = path.points(max(result.tolerance_mm / 20, 1e-4))
        return [(z.real, z.imag) for z in points.tolist()]

    shapes = result.fitted.drawing.shapes
    polygons = [shapely.Polygon(ring(s.outer), [ring(h) for h in s.holes]) for s in shapes]
    return as_region(shapely.MultiPolygon(polygons))


def _mark(verdict: Verdict) -> Html:
    return tag("img", src=mark_picture(verdict).uri, alt="")


def _img(picture: Picture, alt: str) -> Html:
    return tag("img", src=picture.uri, alt=alt)


def _count(findings: Iterable[Finding], kind: Kind) -> int:
    return sum(finding.kind is kind for finding in findings)


def _length(value: float | None) -> str:
    return "–" if value is None else shown_length(value)


def _limit_length(value: float) -> str:
    return shown_length(value) if value else "–"


def _lost(finding: Mapping[str, Any]) -> str:
    lost = finding["lost_mm"]
    return f"{shown_length(lost)} shorter" if lost else ""


def _bar_mm(width_mm: float) -> float:
    """Return a round length for the scale bar, near the width of the piece."""
    return next((bar for bar in (100.0, 50.0, 20.0) if bar <= width_mm * 1.05), 10.0)
