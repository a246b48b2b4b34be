"""Line pictures for the page, as SVG texts: outline, overlay, details, curve.

They are for looking at and hold nothing but our own numbers and words; the file to cut from is
that of `tracer.write.svg`.
"""

import base64
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from tracer.curves.path import Drawing
from tracer.curves.regions import as_region
from tracer.model import Finding, Kind, Region, Result, SizePoint, Verdict
from tracer.units import CSS_PX_PER_MM
from tracer.write.rasters import Raster, ink_raster
from tracer.write.svg import number, path_data

METAL, DRAWN = "#3a3f44", "#b9bec3"

# Okabe and Ito, "Color Universal Design", 2008: colours told apart by colour-blind readers. Each
# kind has a hatch too, so colour never carries meaning alone.
HATCHES = {
    Kind.NECK: ("#D55E00", 45, "lines"),
    Kind.HAIRLINE: ("#E69F00", 135, "lines"),
    Kind.SPUR: ("#F0E442", 45, "cross"),
    Kind.NARROW_GAP: ("#0072B2", 0, "lines"),
    Kind.SMALL_ISLAND: ("#CC79A7", 0, "dots"),
    Kind.SMALL_OPENING: ("#009E73", 90, "lines"),
    Kind.SHARP_TIP: ("#56B4E9", 45, "dots"),
    Kind.LOOSE_PIECE: ("#000000", 0, "cross"),
}
_VERDICT_COLOURS = {
    Verdict.SOUND: "#009E73",
    Verdict.AT_RISK: "#E69F00",
    Verdict.WILL_NOT_CAST: "#D55E00",
}
_MOST_LABELS = 300
_URI_ESCAPES = (("%", "%25"), (" ", "%20"), ('"', "%22"), ("#", "%23"), ("<", "%3C"), (">", "%3E"))
"""What our own SVG texts, plain ASCII, hold that RFC 3986 does not allow in a data address."""
_SANS = "font-family='Helvetica,Arial,sans-serif'"


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG text and its size: mm for pictures at true scale, else arbitrary units."""

    svg: str
    width: float
    height: float

    @property
    def uri(self) -> str:
        """The picture as a data address for an `img`, where a script could never run."""
        text = self.svg
        for character, escape in _URI_ESCAPES:
            text = text.replace(character, escape)
        return "data:image/svg+xml," + text


def outline_picture(result: Result, bar_mm: float) -> Picture:
    """Return the finished outline at true size over a scale bar of `bar_mm`.

    The picture is a whole number of CSS pixels wide and high: browsers stretch what is not to the
    next whole pixel, on paper too.
    """
    width, height = result.page_mm
    across = math.ceil(max(width, bar_mm + 0.4) * CSS_PX_PER_MM) / CSS_PX_PER_MM
    high = math.ceil((height + 8.0) * CSS_PX_PER_MM) / CSS_PX_PER_MM
    shift = (across - width) / 2
    left = (across - bar_mm) / 2
    y = height + 3.0
    ticks = "".join(
        f"M{number(left + bar_mm * k / 10, 3)} {number(y, 3)}v{1.6 if k in (0, 5, 10) else 0.9}"
        for k in range(11)
    )
    body = (
        f"<path transform='translate({number(shift, 3)} 0)' fill='{METAL}' fill-rule='evenodd' "
        f"d='{_outline(result)}'/>"
        f"<path d='{ticks}M{number(left, 3)} {number(y, 3)}h{number(bar_mm, 3)}' fill='none' "
        f"stroke='#000' stroke-width='.2'/>"
        f"<text x='{number(across / 2, 3)}' y='{number(y + 4.6, 3)}' font-size='2.6' "
        f"text-anchor='middle' {_SANS}>{number(bar_mm, 1)} mm</text>"
    )
    return _picture(body, (0, 0, across, high), millimetres=True)


def overlay_picture(result: Result, most_px: int = 900) -> Picture:
    """Return the artwork with the finished outline over it and every change numbered."""
    findings = result.mended.findings
    view = _overlay_view(result)
    side = max(view[2], view[3])
    body = _ink_image(result, view, most_px, ink=0xB9)
    body += _defs(side / 400, {finding.kind for finding in findings})
    for finding in findings:
        shown = finding.place if finding.changed.is_empty else finding.changed
        data = region_data(shown, result, side / 2500)
        body += f"<path d='{data}' fill='url(#{finding.kind})' fill-rule='evenodd'/>"
    body += (
        f"<path d='{_outline(result)}' fill='none' stroke='#111' "
        f"stroke-width='{number(side / 600, 3)}'/>"
    )
    return _picture(body + _labels(result, side), view)


def detail_pictures(result: Result, finding: Finding, finished: Region) -> tuple[Picture, Picture]:
    """Return one place magnified: the artwork with the place marked, and the finished outline.

    The dashed circle has the limit as its diameter. `finished` is the drawing as a region.
    """
    x, y = result.on_page(finding.at)
    side = _window(finding)
    view = (x - side / 2, y - side / 2, side, side)
    left, _, _, top = result.fitted.drawing.bounds
    box = shapely.box(left + view[0], top - view[1] - side, left + view[0] + side, top - view[1])
    gauge = _gauge(x, y, finding.limit_mm, side)
    defs = _defs(side / 72, {finding.kind})
    line = number(side / 130, 4)
    drawn = region_data(_clipped(result.drawn, box), result, side / 500)
    place = region_data(_clipped(finding.place, box), result, side / 500)
    before = (
        _ink_image(result, view, 400, ink=0xB9)
        + defs
        + f"<path d='{place}' fill='url(#{finding.kind})' fill-rule='evenodd'/>"
        + f"<path d='{drawn}' fill='none' stroke='#111' stroke-width='{line}'/>{gauge}"
    )
    done = region_data(_clipped(finished, box), result, side / 500)
    change = region_data(_clipped(finding.changed, box), result, side / 500)
    after = (
        defs
        + f"<path d='{done}' fill='{DRAWN}' fill-rule='evenodd'/>"
        + f"<path d='{change}' fill='url(#{finding.kind})' fill-rule='evenodd'/>"
        + f"<path d='{done}' fill='none' stroke='#111' stroke-width='{line}'/>{gauge}"
    )
    return _picture(before, view), _picture(after, view)


def hatch_picture(kind: Kind) -> Picture:
    """Return a swatch of the hatch of a kind, for the key."""
    body = _defs(1.0, {kind}) + (
        f"<rect x='.5' y='.5' width='27' height='15' fill='url(#{kind})' stroke='#111' "
        f"stroke-width='.6'/>"
    )
    return _picture(body, (0, 0, 28, 16))


def curve_picture(points: Sequence[SizePoint], width_mm: float, safe_mm: float) -> Picture:
    """Return the curve of what is lost against the size of the piece."""
    wide, high, left, foot, head = 640.0, 260.0, 56.0, 44.0, 26.0
    low, most = min(p.width_mm for p in points), max(p.width_mm for p in points)
    largest = max(1e-4, *(p.share_changed for p in points))
    step = _nice(largest * 100 / 4)
    ceiling = step * math.ceil(largest * 100 / step)

    def x(width: float) -> float:
        return left + (width - low) / max(most - low, 1e-9) * (wide - left - 20)

    def y(percent: float) -> float:
        return high - foot - percent / ceiling * (high - foot - head)

    body = ""
    for k in range(round(ceiling / step) + 1):
        at = y(k * step)
        body += f"<path d='M{left} {at:.1f}H{wide - 20}' stroke='#d7dbde' stroke-width='1'/>"
        body += _text(left - 8, at + 4, f"{number(k * step, 3)} %", "end")
    for width in _ticks(low, most):
        body += f"<path d='M{x(width):.1f} {high - foot}v5' stroke='#555' stroke-width='1'/>"
        body += _text(x(width), high - foot + 18, number(width, 1), "middle")
    body += _text((left + wide - 20) / 2, high - 6, "width of the piece in mm", "middle")
    for width, word in ((width_mm, "this piece"), (safe_mm, "sound as drawn")):
        if low <= width <= most:
            body += (
                f"<path d='M{x(width):.1f} {head - 8}V{high - foot}' stroke='#111' "
                f"stroke-width='1' stroke-dasharray='4 3'/>"
            )
            anchor = "end" if x(width) > wide - 110 else "start"
            body += _text(x(width) + (-4 if anchor == "end" else 4), head - 8, word, anchor)
    line = "L".join(f"{x(p.width_mm):.1f} {y(100 * p.share_changed):.1f}" for p in points)
    body += f"<path d='M{line}' fill='none' stroke='#555' stroke-width='1.6'/>"
    for point in points:
        body += _mark(x(point.width_mm), y(100 * point.share_changed), point.verdict)
    return _picture(body, (0, 0, wide, high))


def mark_picture(verdict: Verdict) -> Picture:
    """Return the mark of a verdict, for keys: disc, triangle, square."""
    return _picture(_mark(8, 8, verdict), (0, 0, 16, 16))


def region_data(region: Region, result: Result, tolerance_mm: float) -> str:
    """Return the SVG path data of a region on the page, simplified to `tolerance_mm`."""
    if region.is_empty:
        return ""
    left, _, _, top = result.fitted.drawing.bounds
    decimals = max(0, math.ceil(-math.log10(tolerance_mm)))
    simple = shapely.simplify(region, tolerance_mm, preserve_topology=False)
    parts = []
    for ring in shapely.get_rings(shapely.get_parts(simple)):
        points = shapely.get_coordinates(ring)[:-1]
        flat = np.column_stack([points[:, 0] - left, top - points[:, 1]]).round(decimals).tolist()
        parts.append("M" + "L".join(f"{x:.{decimals}f},{y:.{decimals}f}" for x, y in flat) + "Z")
    return "".join(parts)


def _outline(result: Result) -> str:
    drawing = result.fitted.drawing
    left, _, _, top = drawing.bounds
    on_page: Drawing = drawing.mapped(1, -(left + 1j * top)).mirrored()
    return "".join(path_data(path, 3).replace(" Z", "Z") for path in on_page.paths)


def _picture(body: str, view: Sequence[float], *, millimetres: bool = False) -> Picture:
    x, y, width, height = view
    unit = "mm" if millimetres else ""
    size = f"width='{number(width, 6)}{unit}' height='{number(height, 6)}{unit}'"
    box = " ".join(number(value, 6) for value in (x, y, width, height))
    svg = f"<svg xmlns='http://www.w3.org/2000/svg' {size} viewBox='{box}'>{body}</svg>"
    return Picture(svg, width, height)


def _overlay_view(result: Result) -> tuple[float, float, float, float]:
    """Return the page and every finding with room for the numbers: x, y, width, height."""
    width, height = result.page_mm
    left, top, right, bottom = 0.0, 0.0, width, height
    page_left, _, _, page_top = result.fitted.drawing.bounds
    for finding in result.mended.findings:
        if finding.place.is_empty:
            continue
        x0, y0, x1, y1 = finding.place.bounds
        left, right = min(left, x0 - page_left), max(right, x1 - page_left)
        top, bottom = min(top, page_top - y1), max(bottom, page_top - y0)
    margin = 0.07 * max(right - left, bottom - top)
    return left - margin, top - margin, right - left + 2 * margin, bottom - top + 2 * margin


def _ink_image(result: Result, view: Sequence[float], most_px: int, *, ink: int) -> str:
    """Return the coverage that lies under a view of the page as an SVG image."""
    pitch = result.frame.pitch_mm
    x, y = result.page_origin_mm
    box = (
        math.floor((view[0] + x) / pitch),
        math.floor((view[1] + y) / pitch),
        math.ceil((view[0] + view[2] + x) / pitch),
        math.ceil((view[1] + view[3] + y) / pitch),
    )
    raster = ink_raster(result, box, most_px, ink=ink)
    left, top, right, bottom = (side * pitch for side in raster.box)
    sharp = " style='image-rendering:pixelated'" if most_px < 900 else ""
    return (
        f"<image x='{number(left - x)}' y='{number(top - y)}' width='{number(right - left)}' "
        f"height='{number(bottom - top)}' preserveAspectRatio='none'{sharp} "
        f"href='{raster_uri(raster)}'/>"
    )


def raster_uri(raster: Raster) -> str:
    """Return an encoded picture as a data address."""
    return f"data:{raster.mime};base64,{base64.b64encode(raster.data).decode('ascii')}"


def _defs(unit: float, kinds: Iterable[Kind]) -> str:
    """Return the hatches of some kinds; `unit` is the width of a hatch line."""
    return f"<defs>{''.join(_hatch(kind, unit) for kind in sorted(set(kinds)))}</defs>"


def _hatch(kind: Kind, unit: float) -> str:
    colour, angle, style = HATCHES[kind]
    size = number(4 * unit, 4)
    dark = "#111" if colour in ("#F0E442", "#000000") else colour
    stroke = f"stroke='{dark}' stroke-width='{number(1.3 * unit, 4)}'"
    middle = number(2 * unit, 4)
    match style:
        case "lines":
            mark = f"<path d='M0 {middle}H{size}' {stroke}/>"
        case "cross":
            mark = f"<path d='M0 {middle}H{size}M{middle} 0V{size}' {stroke}/>"
        case _:
            mark = (
                f"<circle cx='{middle}' cy='{middle}' r='{number(1.2 * unit, 4)}' fill='{dark}'/>"
            )
    return (
        f"<pattern id='{kind}' width='{size}' height='{size}' patternUnits='userSpaceOnUse' "
        f"patternTransform='rotate({angle})'><rect width='{size}' height='{size}' fill='{colour}' "
        f"fill-opacity='.45'/>{mark}</pattern>"
    )


def _labels(result: Result, side: float) -> str:
    """Return the numbers of the findings, each on a line from its place, none on another."""
    findings = result.mended.findings[:_MOST_LABELS]
    if not findings:
        return ""
    radius = side * 0.019 * min(1.0, max(0.5, math.sqrt(60 / len(findings))))
    places = np.array([complex(*result.on_page(finding.at)) for finding in findings])
    width, height = result.page_mm
    labels = _spread(places, complex(width / 2, height / 2), radius)
    stroke = f"stroke='#111' stroke-width='{number(side / 900, 4)}'"
    out = ""
    for finding, at, label in zip(findings, places.tolist(), labels, strict=True):
        out += (
            f"<path d='M{number(at.real, 3)} {number(at.imag, 3)}L{number(label.real, 3)} "
            f"{number(label.imag, 3)}' {stroke}/>"
            f"<circle cx='{number(label.real, 3)}' cy='{number(label.imag, 3)}' "
            f"r='{number(radius, 3)}' fill='#fff' {stroke}/>"
            f"<text x='{number(label.real, 3)}' y='{number(label.imag + 0.38 * radius, 3)}' "
            f"font-size='{number(radius * 1.1, 3)}' text-anchor='middle' {_SANS}>{finding.number}"
            f"</text>"
        )
    return out


def _spread(places: np.ndarray, centre: complex, radius: float) -> list[complex]:
    """Return where to put the labels: outward from the middle, clear of labels and places."""
    labels: list[complex] = []
    turns = np.exp(
        1j * np.pi / 8 * np.array([0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6, 7, -7, 8])
    )
    for place in places.tolist():
        outward = place - centre
        outward = outward / abs(outward) if abs(outward) > 1e-9 else 1j
        rings = [place + outward * reach * radius * turns for reach in (2.4, 3.6, 5.2, 7.5)]
        tried = np.concatenate(rings)
        crowd = np.abs(tried[:, None] - places[None, :]).min(axis=1) < 1.35 * radius
        if labels:
            near = np.abs(tried[:, None] - np.array(labels)[None, :]).min(axis=1)
            crowd = crowd | (near < 2.15 * radius)
        labels.append(complex(tried[int(np.argmin(crowd))]))
    return labels


def _window(finding: Finding) -> float:
    """Return the side in mm of the square in which a place is shown magnified."""
    limit = max(finding.limit_mm, finding.width_mm, 0.2)
    if finding.place.is_empty:
        return 7 * limit
    x0, y0, x1, y1 = finding.place.bounds
    return float(np.clip(1.5 * max(x1 - x0, y1 - y0), 5 * limit, 11 * limit))


def _gauge(x: float, y: float, diameter: float, side: float) -> str:
    if diameter <= 0:
        return ""
    dash = number(side / 40, 4)
    return (
        f"<circle cx='{number(x)}' cy='{number(y)}' r='{number(diameter / 2)}' fill='none' "
        f"stroke='#000' stroke-width='{number(side / 110, 4)}' stroke-dasharray='{dash} {dash}'/>"
    )


def _clipped(region: Region, box: shapely.Polygon) -> Region:
    """Return the part of a region within a box a little larger, so that no edge of it shows.

    Part by part: discs that stand for specks may overlap. (`clip_by_rect` of GEOS is faster, but
    raises on slivers that end at the box.)
    """
    x0, y0, x1, y1 = box.bounds
    more = (x1 - x0) * 0.05
    window = shapely.box(x0 - more, y0 - more, x1 + more, y1 + more)
    parts = shapely.get_parts(region)
    cut = shapely.intersection(parts[shapely.intersects(parts, window)], window)
    return as_region(shapely.GeometryCollection(cut.tolist()))


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return (
        f"<text x='{x:.1f}' y='{y:.1f}' font-size='12' text-anchor='{anchor}' fill='#222' "
        f"{_SANS}>{text}</text>"
    )


def _mark(x: float, y: float, verdict: Verdict) -> str:
    colour = f"fill='{_VERDICT_COLOURS[verdict]}' stroke='#111' stroke-width='.8'"
    match verdict:
        case Verdict.SOUND:
            return f"<circle cx='{x:.1f}' cy='{y:.1f}' r='5' {colour}/>"
        case Verdict.AT_RISK:
            return f"<path d='M{x:.1f} {y - 6:.1f}l6 10.5h-12Z' {colour}/>"
        case Verdict.WILL_NOT_CAST:
            return f"<rect x='{x - 4.5:.1f}' y='{y - 4.5:.1f}' width='9' height='9' {colour}/>"


def _nice(step: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not below `step`."""
    power = 10.0 ** math.floor(math.log10(step))
    return next(k * power for k in (1, 2, 5, 10) if k * power >= step * (1 - 1e-9))


def _ticks(low: float, high: float) -> list[float]:
    step = _nice(max((high - low) / 7, 1e-6))
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]
