"""The plan as SVG: outline drawings at both sizes for CAD, and dimensioned views for the sheet."""

from dataclasses import dataclass

import numpy as np

from tracer.curves.path import Drawing, Shape
from tracer.piece.blank import circle
from tracer.piece.plan import Plan
from tracer.piece.section import cut_along
from tracer.piece.values import Piece
from tracer.write.svg import number, shape_data, xml_text

LAYERS = ("blank", "raised", "sunk", "rim", "hole", "marks")
GAP_MM = 12.0
"""Between the drawing at finished size and that at master size."""
_EDGE_MM = 6.0
_LETTER = 0.6
"""Width of a letter over its height, on the wide side for figures and small letters."""
_FONT = "font-family=\"'Liberation Sans', Arial, sans-serif\""

# Okabe and Ito's set: told apart by colour-blind readers; every mark has a number, too
_STROKE = {
    "blank": "#000000", "raised": "#0072b2", "sunk": "#d55e00", "rim": "#0072b2",
    "hole": "#000000", "marks": "#009e73",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mark:
    """A numbered place on the plan."""

    label: str
    at: tuple[float, float]
    text: str


def marks_of(plan: Plan) -> list[Mark]:
    """Return the marks of a plan: gate, necks, vents, parts cut off, the limit of the rounding."""
    pour = plan.pour
    marks = [Mark("G", pour.gate, "pour here: the thickest section at the rim")]
    for k, neck in enumerate(pour.necks, start=1):
        text = f"neck of {neck.width_mm:.1f} mm freezes before the {neck.beyond_mm:.1f} mm it feeds"
        marks.append(Mark(f"N{k}", neck.at, text))
    for k, vent in enumerate(pour.vents, start=1):
        text = f"dead end {vent.width_mm:.1f} mm wide, {vent.depth_mm:.1f} mm deep: scratch a vent"
        marks.append(Mark(f"V{k}", vent.at, text))
    for k, at in enumerate(pour.cut_off, start=1):
        marks.append(Mark(f"X{k}", at, "not joined to the rest: a casting of its own"))
    rule = plan.edge_rules[0]
    marks.append(Mark("R", rule.at, f"sets the largest rounding, {plan.edge_limit_mm:g} mm"))
    return marks


def layers_of(plan: Plan, piece: Piece) -> dict[str, Drawing]:
    """Return the drawing of each layer of a plan, clipped to the piece."""
    layers: dict[str, list[Shape]] = {"blank": list(piece.outline.shapes)}
    for design in plan.designs:
        if design.level.height_mm:
            layers.setdefault(design.level.name, []).extend(design.level.drawing.shapes)
    if plan.rim is not None:
        layers["rim"] = list(plan.rim.drawing.shapes)
    if piece.hole is not None:
        shape = Shape(circle(complex(*piece.hole.at), piece.hole.diameter_mm / 2))
        layers["hole"] = [shape]
    return {name: Drawing(tuple(layers[name])) for name in LAYERS if name in layers}


def size_lines(
    bounds: tuple[float, float, float, float], scale: float | None
) -> tuple[tuple[str, str], float]:
    """Return what stands under a drawing, and its letters' height in mm so that it fits there.

    `scale` is that of the master, None at finished size.
    """
    width, height = bounds[2] - bounds[0], bounds[3] - bounds[1]
    lines = (
        "finished" if scale is None else f"master, x {scale:.6f}",
        f"{width:.3f} x {height:.3f} mm",
    )
    room = width + GAP_MM - 2
    return lines, min(3.0, room / (max(map(len, lines)) * _LETTER))


def plan_svg(plan: Plan, *, mark: str) -> str:
    """Return the plan at finished size and, to its right, at master size, in true millimetres."""
    finished = layers_of(plan, plan.piece)
    scale = plan.allowance.master_scale
    master = {n: d.mapped(scale) for n, d in layers_of(plan, plan.stocked).items()}
    boxes = [finished["blank"].bounds, master["blank"].bounds]
    first_right, second_left = boxes[0][2], boxes[1][0]
    shift = first_right + GAP_MM - second_left
    left = boxes[0][0] - _EDGE_MM
    right = boxes[1][2] + shift + _EDGE_MM
    top = max(b[3] for b in boxes) + _EDGE_MM
    bottom = min(b[1] for b in boxes) - _EDGE_MM - 6
    width, height = right - left, top - bottom
    parts = [
        (
            '<?xml version="1.0" encoding="utf-8"?>\n'
            f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{number(width)}mm" '
            f'height="{number(height)}mm" viewBox="0 0 {number(width)} {number(height)}">'
        ),
        f"<title>{_text(plan.wish.name)}</title><desc>{_text(mark)}; user unit 1 mm</desc>",
    ]
    for prefix, layers, at in (("", finished, 0.0), ("master-", master, shift)):
        for name, drawing in layers.items():
            parts.append(_layer(prefix + name, drawing, at - left, top, _STROKE[name]))
        bounds = layers["blank"].bounds
        marks = marks_of(plan) if not prefix else []
        body = [_mark(m, at - left, top) for m in marks]
        middle = (bounds[0] + bounds[2]) / 2 + at - left
        lines, letter_mm = size_lines(bounds, None if not prefix else scale)
        for k, line in enumerate(lines):
            body.append(_label(middle, height - 4.5 + 3.5 * k, line, letter_mm))
        parts.append(f'<g id="{prefix}marks">{"".join(body)}</g>')
    parts.append("</svg>\n")
    return "\n".join(parts)


def sheet_svg(plan: Plan) -> str:
    """Return the dimensioned plan view for the job sheet, one user unit a millimetre."""
    layers = layers_of(plan, plan.piece)
    x0, y0, x1, y1 = layers["blank"].bounds
    unit = max(x1 - x0, y1 - y0) / 50
    left, right = x0 - 9 * unit, x1 + 4 * unit
    top, bottom = y1 + 5 * unit, y0 - 9 * unit
    fills = {"blank": "#e9ebec", "raised": "#b9c7d3", "sunk": "#f3d9c6", "hole": "#ffffff"}
    parts = [_open(right - left, top - bottom)]
    for name, drawing in layers.items():
        parts.append(
            _layer(name, drawing, -left, top, _STROKE[name], 0.25 * unit, fills.get(name, "none"))
        )
    cx, cy = plan.mass.centroid_mm[:2]
    px, py = cx - left, top - cy
    parts.append(
        f'<g stroke="#000" stroke-width="{number(0.2 * unit)}" fill="none">'
        f'<circle cx="{number(px)}" cy="{number(py)}" r="{number(unit)}"/>'
        f'<path d="M{number(px - 1.6 * unit)} {number(py)}h{number(3.2 * unit)}'
        f'M{number(px)} {number(py - 1.6 * unit)}v{number(3.2 * unit)}"/></g>'
    )
    parts.append(
        _across(x0 - left, x1 - left, top - y0 + 5 * unit, top - y0, f"{x1 - x0:.2f}", unit)
    )
    parts.append(
        _upright(x0 - left - 5 * unit, top - y0, top - y1, x0 - left, f"{y1 - y0:.2f}", unit)
    )
    if plan.hole is not None:
        hx, hy = plan.hole.at[0] - left, top - plan.hole.at[1]
        r = plan.hole.diameter_mm / 2
        text = f"ø {plan.hole.diameter_mm:.2f}, wall {plan.hole.wall_mm:.2f}"
        # out to the free corner above the piece, on the side with more room
        side, anchor = (1, "end") if hx <= (right - left) / 2 + unit else (-1, "start")
        end = right - left - 0.5 * unit if side > 0 else 0.5 * unit
        start = end - side * 21 * unit
        parts.append(
            f'<path d="M{number(hx + side * 0.71 * r)} {number(hy - 0.71 * r)}'
            f'L{number(start)} {number(2.2 * unit)}H{number(end)}" stroke="#000" '
            f'stroke-width="{number(0.2 * unit)}" fill="none"/>'
            + _label(end, 1.8 * unit, text, 2.2 * unit, anchor)
        )
    parts += [_mark(m, -left, top, unit) for m in marks_of(plan)]
    parts.append("</svg>")
    return "".join(parts)


def section_svg(plan: Plan) -> str:
    """Return the cut through hole and centroid, the back to the left, with its heights."""
    x = plan.hole.at[0] if plan.hole else plan.mass.centroid_mm[0]
    profiles = cut_along(plan.layers, x)
    _, y0, _, y1 = plan.outline.bounds
    unit = max(plan.size_mm[0], y1 - y0) / 50
    thick = plan.size_mm[2]
    left, right = -2 * unit, thick + 9 * unit
    top, bottom = y1 + 4 * unit, y0 - 9 * unit
    parts = [_open(right - left, top - bottom)]
    parts.append(
        f'<defs><pattern id="h" width="{number(1.6 * unit)}" height="{number(1.6 * unit)}" '
        'patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="{number(1.6 * unit)}" height="{number(1.6 * unit)}" fill="#e9ebec"/>'
        f'<path d="M0 0v{number(1.6 * unit)}" stroke="#667" stroke-width="{number(0.3 * unit)}"/>'
        "</pattern></defs>"
    )
    for profile in profiles:
        on_page = np.column_stack([profile[:, 1] - left, top - profile[:, 0]])
        data = " ".join(f"{number(a)} {number(b)}" for a, b in on_page)
        parts.append(
            f'<path d="M{data}Z" fill="url(#h)" stroke="#000" '
            f'stroke-width="{number(0.25 * unit)}" stroke-linejoin="round"/>'
        )
    body, base = plan.piece.body_mm, top - y0
    parts.append(_across(-left, body - left, base + 3 * unit, base, f"{body:.2f}", unit))
    if thick > body + 1e-6:
        parts.append(_across(-left, thick - left, base + 6.5 * unit, base, f"{thick:.2f}", unit))
    if plan.piece.edge_radius_mm:
        text = f"R {plan.piece.edge_radius_mm:g}"
        parts.append(_label(thick - left + unit, top - y1 + unit, text, 2.2 * unit, "start"))
    parts.append("</svg>")
    return "".join(parts)


def _open(width: float, height: float) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{number(width)}mm" '
        f'height="{number(height)}mm" viewBox="0 0 {number(width)} {number(height)}">'
    )


def _layer(
    name: str,
    drawing: Drawing,
    right: float,
    top: float,
    stroke: str,
    width: float = 0.1,
    fill: str = "none",
) -> str:
    """Return one layer as a group; the drawing is moved right and turned over about `top`."""
    moved = drawing.mapped(1, complex(right, -top)).mirrored()
    data = "".join(f'<path d="{shape_data(shape)}"/>' for shape in moved.shapes)
    return (
        f'<g id="{name}" fill="{fill}" fill-rule="evenodd" stroke="{stroke}" '
        f'stroke-width="{number(width)}">{data}</g>'
    )


def _mark(mark: Mark, right: float, top: float, unit: float = 1.0) -> str:
    x, y = mark.at[0] + right, top - mark.at[1]
    return (
        f'<g><title>{_text(mark.text)}</title><circle cx="{number(x)}" cy="{number(y)}" '
        f'r="{number(1.5 * unit)}" fill="#fff" stroke="{_STROKE["marks"]}" '
        f'stroke-width="{number(0.3 * unit)}"/>'
        + _label(x, y + 0.65 * unit, mark.label, 1.8 * unit)
        + "</g>"
    )


def _label(x: float, y: float, text: str, size: float, anchor: str = "middle") -> str:
    return (
        f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}" {_FONT} '
        f'text-anchor="{anchor}" fill="#000">{_text(text)}</text>'
    )


def _across(a: float, b: float, y: float, from_y: float, text: str, unit: float) -> str:
    """Return a horizontal dimension from a to b at y, with lines up to the drawing."""
    t = 0.7 * unit
    path = (
        f"M{number(a)} {number(from_y)}V{number(y + t)}M{number(b)} {number(from_y)}"
        f"V{number(y + t)}M{number(a)} {number(y)}H{number(b)}"
        f"M{number(a - t)} {number(y + t)}L{number(a + t)} {number(y - t)}"
        f"M{number(b - t)} {number(y + t)}L{number(b + t)} {number(y - t)}"
    )
    narrow = b - a < 8 * unit
    label = (
        _label(b + unit, y + 0.8 * unit, text, 2.2 * unit, "start")
        if narrow
        else _label((a + b) / 2, y - 0.8 * unit, text, 2.2 * unit)
    )
    line = f'<path d="{path}" fill="none" stroke="#000" stroke-width="{number(0.15 * unit)}"/>'
    return line + label


def _upright(x: float, a: float, b: float, from_x: float, text: str, unit: float) -> str:
    t = 0.7 * unit
    path = (
        f"M{number(from_x)} {number(a)}H{number(x - t)}M{number(from_x)} {number(b)}"
        f"H{number(x - t)}M{number(x)} {number(a)}V{number(b)}"
        f"M{number(x - t)} {number(a + t)}L{number(x + t)} {number(a - t)}"
        f"M{number(x - t)} {number(b + t)}L{number(x + t)} {number(b - t)}"
    )
    cx, cy = x - 0.8 * unit, (a + b) / 2
    label = (
        f'<text transform="translate({number(cx)} {number(cy)}) rotate(-90)" '
        f'font-size="{number(2.2 * unit)}" {_FONT} text-anchor="middle">{_text(text)}</text>'
    )
    return (
        f'<path d="{path}" fill="none" stroke="#000" stroke-width="{number(0.15 * unit)}"/>{label}'
    )


def _text(text: str) -> str:
    clean = xml_text(text)
    return clean.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
