"""The lower half of the page: maps of width, the curve, decisions, limits, facts, sign-off."""

import base64
from collections.abc import Mapping
from typing import Any

import shapely

from tracer.model import Result, Verdict
from tracer.units import shown_length
from tracer.write.pictures import curve_picture, mark_picture, raster_uri
from tracer.write.rasters import (
    GAP_BANDS,
    MAP_PX,
    METAL_BANDS,
    artwork_raster,
    ink_raster,
    width_map,
    width_thresholds,
)
from tracer.write.shown import Html, esc, joined, tag
from tracer.write.words import counted, is_shop_rule

_PREVIEW_PX = 420
_MOST_PLACES = 12


def width_maps(result: Result, report: Mapping[str, Any]) -> Html:
    """Return the maps of local width, as drawn and as finished, with their key."""
    after = result.mended.region
    bounds = shapely.total_bounds([result.drawn, after]).tolist()
    margin = 0.04 * max(bounds[2] - bounds[0], bounds[3] - bounds[1])
    box = (bounds[0] - margin, bounds[1] - margin, bounds[2] + margin, bounds[3] + margin)
    pictures = [(result.drawn, "As drawn")]
    if report["findings"]:
        pictures.append((after, "As finished"))
    plates = [
        tag(
            "figure",
            tag(
                "div",
                tag("img", src=_png_uri(width_map(result, region, box)), alt=word),
                cls="plate",
            ),
            tag("figcaption", esc(word)),
        )
        for region, word in pictures
    ]
    metal = width_thresholds(result.limits.metal)
    gap = width_thresholds(result.limits.gap)
    grid = shown_length(max(box[2] - box[0], box[3] - box[1]) / MAP_PX)
    return joined(
        tag("h2", esc("How wide it is")),
        tag("div", *plates, cls="two"),
        tag("ul", *_key("metal", metal, METAL_BANDS), cls="key"),
        tag("ul", *_key("gap", gap, GAP_BANDS[:3]), cls="key"),
        tag(
            "p",
            esc(
                f"Drawn on a grid of {grid}, for an overview; the figures above are measured finer."
            ),
            cls="soft",
        ),
    )


def curve(result: Result, report: Mapping[str, Any]) -> Html:
    """Return the curve of what is lost against the size of the piece."""
    points = result.sizes
    if not points:
        return Html("")
    safe = report["smallest_safe_width_mm"]
    picture = curve_picture(points, report["drawing"]["width_mm"], -1.0 if safe is None else safe)
    present = {point.verdict for point in points}
    key = [
        tag("li", tag("img", src=mark_picture(v).uri, alt="", cls="dot"), esc(str(v)))
        for v in Verdict
        if v in present
    ]
    rows = [
        tag(
            "tr",
            tag("td", esc(shown_length(point.width_mm))),
            tag("td", esc(str(point.places))),
            tag("td", esc(f"{100 * point.share_changed:.2f} %")),
            tag("td", esc(str(point.verdict))),
        )
        for point in points
    ]
    names = ("Width of the piece", "Places", "Metal changed", "Verdict")
    return joined(
        tag("h2", esc("What is lost at other sizes")),
        tag("p", esc("Metal that would be added or taken away, as a share of the metal drawn.")),
        tag("div", tag("img", src=picture.uri, alt="Curve; the table below holds it"), cls="plate"),
        tag("ul", *key, cls="key"),
        tag(
            "table",
            tag("thead", tag("tr", *(tag("th", esc(name), scope="col") for name in names))),
            tag("tbody", *rows),
        ),
    )


def decisions(result: Result, report: Mapping[str, Any]) -> Html:
    """Return the artwork beside what was taken as ink, and what overrules each choice."""
    artwork = result.artwork
    whole = (0, 0, artwork.columns, artwork.rows)
    shown = (
        (artwork_raster(artwork, _PREVIEW_PX), "The artwork as it came"),
        (ink_raster(result, whole, _PREVIEW_PX), "What was taken as ink"),
    )
    plates = [
        tag(
            "figure",
            tag("div", tag("img", src=raster_uri(raster), alt=word), cls="plate"),
            tag("figcaption", esc(word)),
        )
        for raster, word in shown
    ]
    rows = [
        tag(
            "tr",
            tag(
                "td",
                esc(f"{decision['text']}{_code(decision)}"),
                data_label="Decided",
                cls="full open" if decision["warning"] else "full",
            ),
            tag(
                "td",
                tag("code", esc(decision["option"])) if decision["option"] else esc("–"),
                data_label="Overruled by",
            ),
        )
        for decision in report["decisions"]
    ]
    noise, pixels = report["artwork"]["edge_noise"], report["artwork"]["pixels"]
    edge = (
        f"{pixels[0]} × {pixels[1]} pixels of {shown_length(report['pitch_mm'])}; edge"
        f" {noise['kind']}, known to {noise['sigma_px']:.2f} pixel; fitted to"
        f" {1000 * report['drawing']['tolerance_mm']:.0f} µm."
    )
    table = tag(
        "table",
        tag("thead", tag("tr", tag("th", esc("Decided")), tag("th", esc("Overruled by")))),
        tag("tbody", *rows),
        cls="cards",
    )
    return joined(
        tag("h2", esc("How the artwork was understood")),
        tag("div", *plates, cls="two"),
        tag("p", esc(edge), cls="soft"),
        *([table] if rows else []),
    )


def limits(report: Mapping[str, Any]) -> Html:
    """Return the limits with their evidence."""
    used = report["process"]["limits"]
    if all(limit["comfortable"] == 0 for limit in used.values()):
        return Html("")
    options = {side: f"--min-{side}" for side in used}
    names = ("Limit", "Least", "Advised", "Comfortable", "Where it comes from", "Overruled by")
    rows = [
        tag(
            "tr",
            tag("td", esc(limit["name"].replace("_", " ")), data_label=names[0], cls="full"),
            *(
                tag("td", _graded(limit, grade), data_label=grade.capitalize())
                for grade in ("least", "advised", "comfortable")
            ),
            tag("td", *_evidence(limit), data_label=names[4], cls="full"),
            tag("td", tag("code", esc(options[side])), data_label=names[5]),
        )
        for side, limit in used.items()
    ]
    return joined(
        tag("h2", esc("The limits and where they come from")),
        tag(
            "p",
            esc(
                "Below “least” it will not cast; in bold what this outline was brought to. Sizes in"
                " mm: widths of metal and gap, inscribed circles of islands and openings."
            ),
            cls="soft",
        ),
        tag(
            "table",
            tag("thead", tag("tr", *(tag("th", esc(name), scope="col") for name in names))),
            tag("tbody", *rows),
            cls="cards",
        ),
    )


def facts(report: Mapping[str, Any]) -> Html:
    """Return what the drawing consists of and how it was measured."""
    drawing, verified = report["drawing"], report["verified"]
    kinds = drawing["segments"]
    total = kinds["lines"] + kinds["arcs"] + kinds["cubics"]
    parts = [counted(kinds[kind], kind[:-1]) for kind in ("lines", "arcs", "cubics", "circles")]
    lines = [
        f"{counted(drawing['pieces'], 'piece')}, {counted(drawing['openings'], 'opening')}.",
        f"Area of the ink: {drawing['area_mm2']:.2f} mm².",
        f"{counted(total, 'segment')}: {', '.join(parts[:3])}; {parts[3]} in whole.",
        *report["regularised"],
        f"Measured on the written drawing: {verified['method']}",
    ]
    for place in verified["places"][:_MOST_PLACES]:
        x, y = place["at_mm"]
        lines.append(
            f"Below its limit: {place['side']} of {shown_length(place['width_mm'])}"
            f" at {x:.2f}, {y:.2f}."
        )
    if len(verified["places"]) > _MOST_PLACES:
        lines.append(f"… {len(verified['places'])} such places in all; the JSON report has each.")
    return joined(
        tag("h2", esc("The drawing")),
        tag("ul", *(tag("li", esc(line)) for line in lines), cls="plain"),
    )


def sign_off(report: Mapping[str, Any]) -> Html:
    """Return the block that the client signs, and the cautions."""
    drawing = report["drawing"]
    size = f"{shown_length(drawing['width_mm'])} × {shown_length(drawing['height_mm'])}"
    fields = [("Name", ""), ("Date", ""), (f"Size agreed ({size})", "")]
    fields.append(("Changes accepted: all, or all but numbers", "wide"))
    return joined(
        tag("h2", esc("Agreed")),
        tag(
            "div",
            *(tag("div", esc(text), **({"cls": cls} if cls else {})) for text, cls in fields),
            cls="sign",
        ),
        tag("h2", esc("Cautions")),
        tag("ul", *(tag("li", esc(line)) for line in report["cautions"]), cls="plain"),
    )


def footer(report: Mapping[str, Any]) -> Html:
    """Return which artwork and program this page is about."""
    text = (
        f"tracer {report['tracer_version']} · report {report['schema_version']}"
        f" · artwork SHA-256 {report['artwork']['sha256']}"
    )
    return tag("footer", esc(text))


def _key(
    word: str, thresholds: tuple[float, ...], colours: tuple[tuple[int, int, int], ...]
) -> list[Html]:
    least, advised, comfortable = (shown_length(value) for value in thresholds)
    texts = (
        f"{word} below {least} (striped)",
        f"to {advised}",
        f"to {comfortable}",
        "wider",
    )
    return [
        tag("li", tag("i", style=f"background:rgb{colour}"), esc(text))
        for colour, text in zip(colours, texts, strict=False)
    ]


def _graded(limit: Mapping[str, Any], grade: str) -> Html:
    text = esc(f"{limit[grade]:g}")
    return tag("b", text) if limit["grade"] == grade else text


def _evidence(limit: Mapping[str, Any]) -> tuple[Html, Html]:
    rule = (
        limit["evidence_text"]
        if not is_shop_rule(limit["evidence"])
        else "shop rule, not a standard"
    )
    sure = {"H": "high", "M": "middling", "L-M": "low to middling", "L": "low"}
    confidence = sure.get(limit["confidence"])
    tail = f"; confidence {confidence}" if confidence else ""
    return esc(limit["basis"]), tag("small", esc(f"{rule}{tail}"))


def _code(decision: Mapping[str, Any]) -> str:
    return f" [{decision['code']}]" if decision["code"] else ""


def _png_uri(data: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(data).decode('ascii')}"
