"""`Drawing` to DXF text: the only file that knows ezdxf.

R2010, millimetres, lines, arcs and circles as themselves, cubics as splines of degree 3.
"""

import io
import math
from typing import TYPE_CHECKING

from tracer.curves.path import Drawing, Path
from tracer.curves.segments import Arc, Cubic, Line, Segment

if TYPE_CHECKING:
    from ezdxf.document import Drawing as DxfDocument
    from ezdxf.layouts.layout import Modelspace

MILLIMETRES = 4
"""$INSUNITS of the DXF reference."""

_BEZIER_KNOTS = (0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0)


def write_dxf(drawings: dict[str, Drawing], *, comment: str) -> str:
    """Return drawings as DXF text, one layer each (and one more for its openings).

    Parameters
    ----------
    drawings
        Layer name -> drawing in mm, y up. Openings go to the layer ``NAME-openings``.
    comment
        Written in the first lines of the file.
    """
    document = new_document()
    space = document.modelspace()
    for name, drawing in drawings.items():
        document.layers.add(name, color=7)
        document.layers.add(f"{name}-openings", color=8)
        for shape in drawing.shapes:
            _add_path(space, shape.outer, name)
            for hole in shape.holes:
                _add_path(space, hole, f"{name}-openings")
    return document_text(document, comment=comment)


def new_document() -> "DxfDocument":
    """Return an empty DXF document, R2010 in millimetres, without the date of today."""
    # 0.9 s to import: only when asked for
    from ezdxf import options  # type: ignore[attr-defined] # re-exported, unsaid
    from ezdxf.filemanagement import new

    options.write_fixed_meta_data_for_testing = True
    document = new("R2010", units=MILLIMETRES)
    document.header["$MEASUREMENT"] = 1
    document.header["$LUNITS"] = 2
    return document


def document_text(document: "DxfDocument", *, comment: str) -> str:
    """Return a document as DXF text, a comment in its first lines; the same one, the same text."""
    for kind in sorted(document.entitydb.dxf_types_in_use()):
        document.classes.add_class(kind)  # ezdxf would list them in the order of a set
    stream = io.StringIO()
    document.write(stream)
    one_line = " ".join(comment.split())
    return f"999\n{one_line}\n{stream.getvalue()}"


def _add_path(space: "Modelspace", path: Path, layer: str) -> None:
    circle = path.circle
    if circle is not None:
        centre, radius = circle
        space.add_circle((centre.real, centre.imag), radius, dxfattribs={"layer": layer})
        return
    for segment in path.segments:
        add_segment(space, segment, layer)


def add_segment(space: "Modelspace", segment: Segment, layer: str) -> None:
    """Add one segment to a layer of a DXF model space."""
    attributes = {"layer": layer}
    match segment:
        case Line(start, end):
            space.add_line((start.real, start.imag), (end.real, end.imag), dxfattribs=attributes)
        case Arc(start, end, sweep):
            first, last = (start, end) if sweep > 0 else (end, start)
            centre = segment.centre
            from_angle, to_angle = (_degrees(p - centre) for p in (first, last))
            space.add_arc(
                (centre.real, centre.imag),
                segment.radius,
                from_angle,
                to_angle,
                dxfattribs=attributes,
            )
        case Cubic(start, control1, control2, end):
            spline = space.add_spline(degree=3, dxfattribs=attributes)
            spline.control_points = [
                (p.real, p.imag, 0.0) for p in (start, control1, control2, end)
            ]
            spline.knots = _BEZIER_KNOTS


def _degrees(direction: complex) -> float:
    return math.degrees(math.atan2(direction.imag, direction.real))
