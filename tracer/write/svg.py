"""`Drawing` to SVG text of true size: the only file that knows svgwrite.

The page is the drawing's own bounding box without margin, so the size that a program reads from
the file is the size of the piece. `width` and `height` are in mm; the default user unit of
1/96 inch makes a reader that honours them and one that takes bare numbers as CSS pixels agree.
"""

import math
import re
import unicodedata

from tracer.curves.path import Drawing, Path, Shape
from tracer.curves.segments import Arc, Cubic, Line, Segment
from tracer.units import CSS_PX_PER_MM, PT_PER_MM

UNITS_PER_MM = {"px": CSS_PX_PER_MM, "pt": PT_PER_MM, "mm": 1.0}
DECIMALS = 4
"""Of every coordinate: a grid of 0.0001 user units, at most 0.1 micrometre."""
RADIUS_DECIMALS = 7
"""Of a radius: the centre of a half circle follows from it with the square root of its error."""

_ILLEGAL_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_svg(drawing: Drawing, *, unit: str, title: str, description: str) -> str:
    """Return a drawing as SVG 1.1, each shape one path with its holes in it.

    Every coordinate lies on a grid of 10^-4 user units; segments that the grid shrinks to nothing
    are left out. Valid against the W3C RELAX NG of SVG 1.1. No scripts, no external references.

    Parameters
    ----------
    drawing
        In mm, y up; at least one shape.
    unit
        User unit: ``px`` (1/96 inch), ``pt`` (1/72 inch) or ``mm``.
    title, description
        For people; characters that XML forbids are shown as U+FFFD.

    Raises
    ------
    ValueError
        If a coordinate is not finite or there is no shape.
    """
    import svgwrite

    left, bottom, right, top = drawing.bounds
    per_mm = UNITS_PER_MM[unit]
    on_page = drawing.mapped(per_mm, -(left + 1j * top) * per_mm).mirrored()
    width, height = (right - left), (top - bottom)
    document = svgwrite.Drawing(
        size=(f"{number(width, 6)}mm", f"{number(height, 6)}mm"),
        viewBox=f"0 0 {number(width * per_mm)} {number(height * per_mm)}",
        debug=False,
    )
    document.set_desc(title=xml_text(title), desc=xml_text(description))
    for index, shape in enumerate(on_page.shapes, start=1):
        document.add(
            document.path(
                d=shape_data(shape), fill="black", fill_rule="evenodd", id=f"piece-{index}"
            )
        )
    text = document.tostring()
    # svgwrite declares namespaces and a profile that nothing here uses
    text = text.replace(' xmlns:ev="http://www.w3.org/2001/xml-events"', "", 1)
    text = text.replace(' xmlns:xlink="http://www.w3.org/1999/xlink"', "", 1)
    text = text.replace(' baseProfile="full"', "", 1).replace("<defs />", "", 1)
    text = text.replace("><", ">\n<")
    return f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n'


def shape_data(shape: Shape) -> str:
    """Return the SVG path data of a shape, in the coordinates it has."""
    return " ".join(path_data(path) for path in shape.paths)


def path_data(path: Path, decimals: int = DECIMALS) -> str:
    """Return the SVG path data of one closed path, absolute commands, on the grid."""
    start = _grid(path.segments[0].start, decimals)
    parts = [f"M{_pair(start, decimals)}"]
    last = start
    kept = [s for s in path.segments if _grid(s.start, decimals) != _grid(s.end, decimals)]
    for index, segment in enumerate(kept):
        end = start if index == len(kept) - 1 else _grid(segment.end, decimals)
        closes_straight = index == len(kept) - 1 and isinstance(segment, Line)
        if not closes_straight:  # Z draws the last straight side
            parts.append(_command(segment, last, end, decimals))
        last = end
    return " ".join([*parts, "Z"])


def number(value: float, decimals: int = DECIMALS) -> str:
    """Return a number in plain decimals without needless zeros.

    >>> number(3.10000), number(-0.00001), number(1e-3)
    ('3.1', '0', '0.001')
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be written")
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def xml_text(text: str) -> str:
    """Return text with what XML forbids, and what could disguise it, replaced by U+FFFD."""
    clean = _ILLEGAL_XML.sub("\ufffd", text)
    return "".join("\ufffd" if unicodedata.category(c) in ("Cf", "Cc") else c for c in clean)


def _command(segment: Segment, start: complex, end: complex, decimals: int) -> str:
    match segment:
        case Line():
            return f"L{_pair(end, decimals)}"
        case Arc(sweep=sweep):
            radius = number(Arc(start, end, sweep).radius, RADIUS_DECIMALS)
            large, positive = int(abs(sweep) > math.pi), int(sweep > 0)
            return f"A{radius} {radius} 0 {large} {positive} {_pair(end, decimals)}"
        case Cubic():
            handles = f"{_pair(segment.control1, decimals)} {_pair(segment.control2, decimals)}"
            return f"C{handles} {_pair(end, decimals)}"


def _grid(point: complex, decimals: int) -> complex:
    return complex(round(point.real, decimals), round(point.imag, decimals))


def _pair(point: complex, decimals: int) -> str:
    return f"{number(point.real, decimals)} {number(point.imag, decimals)}"
