"""The plan as DXF R2010 in millimetres: a layer for each part, at finished and at master size."""

from typing import TYPE_CHECKING

from tracer.curves.path import Drawing
from tracer.piece.drawings import GAP_MM, LAYERS, layers_of, marks_of, size_lines
from tracer.piece.plan import Plan
from tracer.write.dxf import add_segment, document_text, new_document
from tracer.write.svg import xml_text

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

_COLOURS = {"blank": 7, "raised": 5, "sunk": 30, "rim": 5, "hole": 1, "marks": 3}
"""Colours by their number in the DXF reference."""


def plan_dxf(plan: Plan, *, mark: str) -> str:
    """Return the plan as DXF text.

    The drawing at finished size stands about the origin, as the plan's coordinates do; that at
    master size to the right of it, on layers named ``master-...``. Circles, arcs and lines are
    themselves, cubics splines of degree 3. The same plan gives the same text.
    """
    document = new_document()
    space = document.modelspace()
    scale = plan.allowance.master_scale
    finished = layers_of(plan, plan.piece)
    master = {n: d.mapped(scale) for n, d in layers_of(plan, plan.stocked).items()}
    shift = finished["blank"].bounds[2] + GAP_MM - master["blank"].bounds[0]
    for prefix in ("", "master-"):
        for name in LAYERS:
            document.layers.add(prefix + name, color=_COLOURS[name])
    for prefix, layers, right in (("", finished, 0.0), ("master-", master, shift)):
        for name, drawing in layers.items():
            _add(space, drawing.mapped(1, right), prefix + name)
        left, bottom, *_ = bounds = layers["blank"].bounds
        lines, high = size_lines(bounds, scale if prefix else None)
        for k, line in enumerate(lines):
            at = (left + right, bottom - 5 - 1.2 * high * k)
            _text(space, line, at, high, prefix + "marks")
    for found in marks_of(plan):
        space.add_circle(found.at, 1.5, dxfattribs={"layer": "marks"})
        _text(space, found.label, (found.at[0] - 0.7, found.at[1] - 0.7), 1.4, "marks")
    return document_text(document, comment=xml_text(mark))


def _add(space: "Modelspace", drawing: Drawing, layer: str) -> None:
    for path in drawing.paths:
        found = path.circle
        if found is not None:
            centre, radius = found
            space.add_circle((centre.real, centre.imag), radius, dxfattribs={"layer": layer})
            continue
        for segment in path.segments:
            add_segment(space, segment, layer)


def _text(
    space: "Modelspace", text: str, at: tuple[float, float], height: float, layer: str
) -> None:
    space.add_text(text, height=height, dxfattribs={"layer": layer, "insert": at})
