"""The job sheet: one printable A4 page for the bench, and the picture for the client.

No script, nothing fetched; pictures are data addresses; everything that comes from outside is
escaped.
"""

import base64
import math
from collections.abc import Sequence
from functools import partial
from importlib import resources
from string import Template
from typing import Any

from tracer.model import Finding, Kind
from tracer.piece.drawings import marks_of, section_svg, sheet_svg
from tracer.piece.plan import Plan
from tracer.piece.relief import png_uri, relief_png
from tracer.piece.values import Rule
from tracer.units import shown_length
from tracer.write.shown import Html, esc, joined, tag
from tracer.write.words import CAUTIONS, PLURALS

_PICTURE_PX = 420
_LEAST_SHOWN_MM = 0.005
_MOST_LETTERS = 760
"""Of all warnings together, so that the sheet stays one page; the rest stands in the record."""


def job_page(plan: Plan, record: dict[str, Any]) -> str:
    """Return the job sheet of a plan; `record` is what `make_record` made of it."""
    template = resources.files("tracer").joinpath("data", "job.html").read_text(encoding="utf-8")
    body = joined(
        _head(plan, record),
        _views(plan),
        tag("div", _sizes(plan, record), _amounts(plan, record), cls="columns"),
        tag("div", _order(plan, record), _warnings(plan, record), cls="columns"),
    )
    return Template(template).substitute(title=esc(f"{record['name']}: job sheet"), body=body)


def _head(plan: Plan, record: dict[str, Any]) -> Html:
    width, height, thick = record["size_mm"]
    cells = [
        ("Finished", f"{width:.2f} × {height:.2f} × {thick:.2f} mm"),
        ("Mass", f"{record['mass_g']:.1f} g"),
        ("Metal", record["alloy"]["label"]),
        ("Process", plan.process.label),
    ]
    boxes = [tag("div", tag("dt", esc(word)), tag("dd", esc(text))) for word, text in cells]
    return joined(
        tag("h1", esc(record["name"]), tag("span", esc("job sheet"))), tag("dl", *boxes, cls="head")
    )


def _views(plan: Plan) -> Html:
    box = plan.outline.bounds
    picture = png_uri(relief_png(plan.layers, box, _PICTURE_PX))
    size = f"{plan.size_mm[0]:.1f} by {plan.size_mm[1]:.1f} mm"
    return tag(
        "div",
        _figure(_svg_uri(sheet_svg(plan)), f"Plan with dimensions, {size}", "Plan, front; mm"),
        _figure(_svg_uri(section_svg(plan)), "Cut through hole and centroid", "Section"),
        _figure(picture, "Shaded picture of the piece", "As it will look, unpolished"),
        cls="views",
    )


def _figure(uri: str, alt: str, caption: str) -> Html:
    return tag("figure", tag("img", src=uri, alt=alt), tag("figcaption", esc(caption)))


def _svg_uri(text: str) -> str:
    return f"data:image/svg+xml;base64,{base64.b64encode(text.encode()).decode('ascii')}"


def _sizes(plan: Plan, record: dict[str, Any]) -> Html:
    scale = record["master_scale"]
    stock = plan.allowance.stock_mm
    piece, stocked = plan.piece, plan.stocked
    width, height, thick = record["size_mm"]
    rows = [
        ("Width", width, (width + 2 * stock) * scale),
        ("Height", height, (height + 2 * stock) * scale),
        ("Thickness of the body", piece.body_mm, stocked.body_mm * scale),
        ("Thickness in all", thick, (thick + 2 * stock) * scale),
    ]
    rows += [
        (
            f"{design.level.name.capitalize()} design, about {told['layers']:.0f} layers",
            abs(h),
            abs(h) * scale,
        )
        for design, told in zip(plan.designs, record["designs"], strict=True)
        if (h := design.level.height_mm)
    ]
    if plan.wish.rim_mm:
        wide, high = plan.wish.rim_mm
        rows += [
            ("Width of the rim", wide, wide * scale),
            ("Height of the rim", high, high * scale),
        ]
    if plan.hole:
        x, y = plan.hole.at
        rows.append(
            (f"Hole at {x:.2f}, {y:.2f}", plan.hole.diameter_mm, plan.hole.diameter_mm * scale)
        )
    if piece.edge_radius_mm:
        rows.append(("Rounding of the edge", piece.edge_radius_mm, piece.edge_radius_mm * scale))
    allowance = record["allowance"]
    why = (
        "master scale from a measured casting"
        if allowance["calibrated"]
        else f"master × {scale:.5f}: metal contracts {allowance['contraction_percent']:g} %"
        f"{_kind(record, 'allowance.contraction_percent')}, rubber"
        f" {allowance['rubber_percent']:g} %"
    )
    why += f"; ± {allowance['uncertainty_percent']:g} % until a casting is measured"
    if stock:
        why += f"; {shown_length(stock)} of stock on profile, front and back"
    table = tag(
        "table",
        tag("thead", tag("tr", *(tag("th", esc(w)) for w in ("mm", "finished", "master")))),
        tag(
            "tbody",
            *(
                tag("tr", tag("td", esc(a)), tag("td", esc(f"{b:.2f}")), tag("td", esc(f"{c:.2f}")))
                for a, b, c in rows
            ),
        ),
    )
    return tag("section", tag("h2", esc("Sizes")), table, tag("p", esc(why), cls="soft"))


def _amounts(plan: Plan, record: dict[str, Any]) -> Html:
    pour, limit = record["pour"], record["edge_radius_limit"]
    kind = partial(_kind, record)
    rows = [
        ("Volume", f"{record['volume_mm3']:.0f} mm³"),
        (
            "Density",
            f"{record['alloy']['density_g_cm3']:.4g} g/cm³, {plan.amounts.density_by}"
            + kind("alloy.density_g_cm3"),
        ),
        (
            f"Metal to melt, {record['pieces']} off",
            f"{record['metal_to_melt_g']:.0f} g{kind('metal_to_melt_g')}",
        ),
        (
            "Rubber, each of two parts",
            f"{record['rubber']['each_part_ml']:.0f} ml{kind('rubber_ml')}",
        ),
        (
            "Resin for the master",
            f"{record['print_ml']:.1f} ml, or {record['print_pla_g']:.0f} g PLA{kind('print_ml')}",
        ),
        ("Freezes in about", f"{record['freeze_s']:.0f} s, order of magnitude{kind('freeze_s')}"),
        (
            "Head for the finest line",
            f"{pour['head_mm']:.0f} mm over {pour['finest_mm']:.2f} mm, upper bound"
            + kind("pour.head_mm"),
        ),
        ("Draft", f"{record['draft_deg']:g}°{kind('draft_deg')}"),
        *(
            [("Foot fillet", f"{shown_length(record['fillet_mm'])}{kind('fillet_mm')}")]
            if plan.piece.levels
            else []
        ),
        (
            "Largest edge rounding",
            f"{record['edge_radius_limit_mm']:g} mm ({limit['rule']}): {limit['text']}",
        ),
    ]
    if plan.hole and plan.tilt_deg is not None:
        rows.append(
            ("Hangs", f"{plan.tilt_deg:.1f}° off upright, {plan.hole.label}{kind('tilt_deg')}")
        )
    if record["cost"] is not None:
        rows.append(("Cost of one", f"{record['cost']:.2f}"))
    table = tag(
        "table", tag("tbody", *(tag("tr", tag("th", esc(a)), tag("td", esc(b))) for a, b in rows))
    )
    return tag("section", tag("h2", esc("Amounts")), table)


def _kind(record: dict[str, Any], path: str) -> str:
    """Return what kind of rule a figure rests on, in brackets; nothing if it was asked for."""
    found = record["rests_on"].get(path)
    return f" ({found['rule']})" if found else ""


def _order(plan: Plan, record: dict[str, Any]) -> Html:
    rubber = record["rubber"]
    steps = [
        (
            f"Print the master flat on its back, layer {shown_length(plan.wish.layer_mm)};"
            " wash, cure, seal, smooth."
        ),
        (
            f"Press or pour rubber: {shown_length(rubber['side_mm'])} round it,"
            f" {shown_length(rubber['base_mm'])} under it; first skin thin, into the detail."
        ),
        "Cure fully before metal: days, as the rubber's sheet says.",
        "Warm the mould, dust with talc, blow off; back it flat and clamp lightly.",
        (
            f"Melt {record['metal_to_melt_g']:.0f} g, skim, pour at G at about"
            f" {plan.metal.pour_c:.0f} °C in one go; tap."
        ),
        f"Leave {max(2 * record['freeze_s'], 60):.0f} s; draw the piece off towards its front.",
        "Trim; sand the back flat, then 150, 240, 400, 600, 1000 (FEPA P), turning each time.",
    ]
    if plan.hole:
        steps.append("Clean the hole, close the ring, check that it hangs true.")
    marks = [
        tag("li", tag("b", esc(label)), esc(f" {text}"), tag("small", esc(_kind(record, path))))
        for label, text, path in _marks(plan)
    ]
    return tag(
        "section",
        tag("h2", esc("Order of work")),
        tag("ol", *(tag("li", esc(step)) for step in steps)),
        tag("h2", esc("Marks on the plan")),
        tag("ul", *marks, cls="marks"),
        *_space_for_notes(),
    )


def _warnings(plan: Plan, record: dict[str, Any]) -> Html:
    found = [*_grouped(plan), *(f for f in record["findings"] if "width_mm" not in f)]
    found.sort(key=lambda f: f["status"] != "open")
    items = [
        tag(
            "li",
            *([tag("b", esc("Open: "))] if f["status"] == "open" else []),
            esc(_sentence(f["text"])),
            tag("small", esc(f" {f['rule']}")),
            cls="open" if f["status"] == "open" else "note",
        )
        for f in _shown(found)
    ]
    rest = len(found) - len(items)
    if rest > 0:
        items.append(tag("li", esc(f"and {rest} more in the JSON file")))
    return tag(
        "section",
        tag("h2", esc("Warnings and notes")),
        tag("ul", *items) if items else tag("p", esc("None.")),
        tag("h2", esc("Cautions")),
        tag("ul", *_items(CAUTIONS), cls="cautions"),
    )


def _marks(plan: Plan) -> list[tuple[str, str, str]]:
    """Return the marks with their meaning and the path of what they rest on, one line a kind."""
    pour, vents = plan.pour, plan.pour.vents
    lines = [
        (mark.label, mark.text, "pour.gate" if mark.label == "G" else "")
        for mark in marks_of(plan)
        if mark.label[0] not in ("V", "N", "X")
    ]
    dead = f"dead end, {_span([v.width_mm for v in vents])} wide: scratch a vent"
    for letter, places, text, path in (
        ("N", pour.necks, "neck freezes before the thicker metal that it feeds", "pour.necks"),
        ("V", vents, dead, "pour.vents"),
        ("X", pour.cut_off, "not joined to the rest: a casting of its own", ""),
    ):
        if places:
            label = f"{letter}1" if len(places) == 1 else f"{letter}1–{letter}{len(places)}"
            lines.append((label, text, path))
    return lines


def _span(values: Sequence[float]) -> str:
    if not values:
        return ""
    low, high = f"{min(values):.1f}", f"{max(values):.1f}"
    return f"{low} mm" if low == high else f"{low} to {high} mm"


def _grouped(plan: Plan) -> list[dict[str, Any]]:
    """Return the findings of the designs, those of a kind and a fate as one line."""
    groups: dict[tuple[str, Kind], list[Finding]] = {}
    for design in plan.designs:
        for finding, _ in design.findings:
            groups.setdefault((finding.status, finding.kind), []).append(finding)
    lines = []
    for (status, kind), findings in sorted(groups.items()):
        least = min(f.width_mm for f in findings)
        name = str(kind).replace("-", " ") if len(findings) == 1 else PLURALS[kind]
        fate = {"open": "left open", "fixed": "mended", "kept": "left as drawn"}[status]
        measured = f", down to {shown_length(least)}" if least >= _LEAST_SHOWN_MM else ""
        text = f"{len(findings)} {name}{measured}, {fate}"
        factor = max(f.sound_from_factor for f in findings)
        if status == "open" and math.isfinite(factor):
            text += f"; sound from {factor:.2f} times the size"
        lines.append({"text": text, "status": status, "rule": str(Rule.SHOP_RULE)})
    return lines


def _shown(found: list[dict[str, Any]]) -> list[dict[str, Any]]:
    letters, shown = 0, []
    for one in found:
        letters += max(len(one["text"]), 60)
        if letters > _MOST_LETTERS:
            break
        shown.append(one)
    return shown


def _items(texts: Sequence[str]) -> list[Html]:
    return [tag("li", esc(text)) for text in texts]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _space_for_notes() -> list[Html]:
    words = ("Measured on the first casting", "Date", "Name")
    return [
        tag("h2", esc("Notes")),
        *(tag("div", cls="line") for _ in range(3)),
        tag("div", *(tag("div", esc(word)) for word in words), cls="sign"),
    ]
