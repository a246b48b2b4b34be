"""SVG text back to `Drawing`: reads what `tracer.write.svg` writes, and refuses everything else.

Shares no code with the writer, so that measuring the file measures what another program will see.
"""

import cmath
import math
import re
from collections.abc import Iterator
from xml.parsers import expat

from tracer.curves.path import Drawing, Path, Shape
from tracer.curves.segments import Arc, Cubic, Line, Segment
from tracer.errors import InputError
from tracer.units import CSS_PX_PER_MM, LARGEST_LENGTH_MM, MM_PER_INCH, PT_PER_MM

LARGEST_TEXT = 64_000_000
"""Characters; a drawing of 200,000 segments takes about a tenth of it."""
MOST_SEGMENTS = 500_000

_SVG = "http://www.w3.org/2000/svg"
_XML_ATTRIBUTES = frozenset({"http://www.w3.org/XML/1998/namespace lang"})
_ATTRIBUTES = {
    "svg": frozenset({"width", "height", "viewBox", "version", "id", *_XML_ATTRIBUTES}),
    "title": frozenset({"id", *_XML_ATTRIBUTES}),
    "desc": frozenset({"id", *_XML_ATTRIBUTES}),
    "path": frozenset({"d", "fill", "fill-rule", "id"}),
}
_MM_PER_UNIT = {
    "mm": 1.0,
    "cm": 10.0,
    "in": MM_PER_INCH,
    "pt": 1 / PT_PER_MM,
    "px": 1 / CSS_PX_PER_MM,
}
_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_LENGTH = re.compile(rf"({_NUMBER})(mm|cm|in|pt|px)?", re.ASCII)
_TOKEN = re.compile(rf"[\s,]*(?:([A-Za-z])|({_NUMBER}))", re.ASCII)
_FLAG = re.compile(r"[\s,]*([01])", re.ASCII)
_OPERANDS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "A": 7, "Z": 0}
_SNAP = 1e-9
"""Of the page: how far a path in relative commands may miss its start through rounding."""


def read_svg(text: str) -> Drawing:
    """Return the drawing in an SVG text that this package wrote, in mm.

    The bottom-left corner of the page is (0, 0) and y runs up, so a writer that puts the
    top-left corner of a drawing at (0, 0) of the page is inverted up to a shift. Each `path`
    element is one shape: the subpath with the largest area is its outer path, the others its
    holes. Outer paths run counter-clockwise, holes clockwise, whatever the file says. Nothing is
    mended: crossings, if there are any, stay.

    Understood are `svg` with `width`, `height` and `viewBox`, `title`, `desc` and `path` with the
    commands M L H V C A Z, absolute and relative, with circular arcs.

    Raises
    ------
    InputError
        On anything else: other elements or attributes, document types and entities, open paths,
        elliptical arcs, numbers that are not finite, a text or a drawing out of all proportion.

    Notes
    -----
    Path data and arcs: W3C, "Scalable Vector Graphics (SVG) 1.1 (Second Edition)", chapter 8 and
    appendix F.6 "Elliptical arc implementation notes"; entities are refused as the XML
    recommendation allows a non-validating processor only to report, never to ignore, them.
    """
    if len(text) > LARGEST_TEXT:
        raise _wrong(f"larger than {LARGEST_TEXT // 1_000_000} MB")
    page, paths = _parse_xml(text)
    scale, height_mm = _page(page)
    left, top = _view_box(page)[:2]
    shapes = []
    for data in paths:
        rings = [
            path.mapped(scale, -scale * complex(left, top)).mirrored().mapped(1, 1j * height_mm)
            for path in _subpaths(data)
        ]
        shapes.append(_shape(rings))
    return Drawing(tuple(shapes))


def _wrong(what: str) -> InputError:
    return InputError(
        f"not an SVG drawing of this tool: {what}", hint="write it again from the artwork"
    )


class _Document:
    """Collects what is drawn, and raises at the first thing that is not ours."""

    def __init__(self) -> None:
        self.page: dict[str, str] = {}
        self.paths: list[str] = []
        self.inside: list[str] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        space, _, element = name.rpartition(" ")
        if space != _SVG or element not in _ATTRIBUTES:
            raise _wrong(f"element <{element[:40]}>")
        if self.inside != ([] if element == "svg" else ["svg"]):
            raise _wrong(f"<{element}> out of place")
        if unknown := set(attributes) - _ATTRIBUTES[element]:
            raise _wrong(f"attribute {min(unknown).rpartition(' ')[2][:40]} of <{element}>")
        self.inside.append(element)
        if element == "svg":
            self.page = attributes
        elif element == "path":
            if attributes.get("fill-rule") != "evenodd":
                raise _wrong("a path that is not filled by the even-odd rule")
            self.paths.append(attributes.get("d", ""))

    def end(self, _name: str) -> None:
        self.inside.pop()

    def characters(self, data: str) -> None:
        if data.strip() and self.inside[-1] not in ("title", "desc"):
            raise _wrong("text outside <title> and <desc>")

    def refuse(self, *_: object) -> int:
        raise _wrong("a document type, entity or processing instruction")


def _parse_xml(text: str) -> tuple[dict[str, str], list[str]]:
    """Return the attributes of the root and the `d` of every path, in order."""
    document = _Document()
    parser = expat.ParserCreate(encoding="utf-8", namespace_separator=" ")
    parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
    parser.StartElementHandler = document.start
    parser.EndElementHandler = document.end
    parser.CharacterDataHandler = document.characters
    parser.StartDoctypeDeclHandler = document.refuse
    parser.EntityDeclHandler = document.refuse
    parser.ExternalEntityRefHandler = document.refuse
    parser.ProcessingInstructionHandler = document.refuse
    try:
        parser.Parse(text.encode("utf-8"), True)  # noqa: FBT003 - positional in the C signature
    except expat.ExpatError as error:
        raise _wrong(f"line {error.lineno}: {expat.ErrorString(error.code)}") from None
    except UnicodeEncodeError:
        raise _wrong("text that is not Unicode") from None
    return document.page, document.paths


def _page(page: dict[str, str]) -> tuple[float, float]:
    """Return mm per user unit and the height of the page in mm."""
    width_mm, height_mm = (_length(page, side) for side in ("width", "height"))
    _, _, width, height = _view_box(page)
    # A viewBox of rounded numbers fits the size up to its own last digit: 0.001 mm is far above it
    slack = 1e-3
    for scale in (*_MM_PER_UNIT.values(), width_mm / width):
        if abs(width * scale - width_mm) <= slack and abs(height * scale - height_mm) <= slack:
            return scale, height * scale
    raise _wrong("width and height that do not fit the viewBox")


def _length(page: dict[str, str], side: str) -> float:
    match = _LENGTH.fullmatch(page.get(side, ""))
    if match is None:
        raise _wrong(f"no {side}")
    length = float(match[1]) * _MM_PER_UNIT[match[2] or "px"]
    if not 0 < length <= LARGEST_LENGTH_MM * 2:
        raise _wrong(f"{side} out of range")
    return length


def _view_box(page: dict[str, str]) -> tuple[float, float, float, float]:
    numbers = page.get("viewBox", "").replace(",", " ").split()
    if len(numbers) != 4 or not all(re.fullmatch(_NUMBER, n, re.ASCII) for n in numbers):
        raise _wrong("no viewBox of four numbers")
    left, top, width, height = map(float, numbers)
    if not (math.isfinite(left + top) and 0 < width < math.inf and 0 < height < math.inf):
        raise _wrong("a viewBox without area")
    return left, top, width, height


def _shape(rings: list[Path]) -> Shape:
    if not rings:
        raise _wrong("a path without data")
    rings = sorted(rings, key=lambda ring: -abs(ring.area))  # stable: the order of the file
    if rings[0].area == 0:
        raise _wrong("a path without area")
    outer, *holes = rings
    return Shape(_turned(outer, positive=True), tuple(_turned(h, positive=False) for h in holes))


def _turned(ring: Path, *, positive: bool) -> Path:
    if (ring.area > 0) is positive:
        return ring
    return Path(tuple(segment.reversed() for segment in reversed(ring.segments)))


def _subpaths(data: str) -> list[Path]:
    """Return the closed subpaths of path data, in the coordinates of the page, y down."""
    found: list[Path] = []
    segments: list[Segment] = []
    start = current = 0j
    is_open = False
    for command, operands in _commands(data):
        kind = command.upper()
        origin = current if command.islower() else 0j
        if kind == "M":
            if is_open:
                raise _wrong("a path that is not closed")
            start = current = origin + complex(*operands)
            is_open = True
            continue
        if not is_open:
            raise _wrong("path data that does not begin with M")
        if kind == "Z":
            found.append(_closed(segments, start, current))
            segments, current, is_open = [], start, False
            continue
        segment = _segment(command, operands, current)
        segments.append(segment)
        current = segment.end
        if len(segments) > MOST_SEGMENTS:
            raise _wrong(f"more than {MOST_SEGMENTS} segments")
    if is_open:
        raise _wrong("a path that is not closed")
    return found


def _closed(segments: list[Segment], start: complex, end: complex) -> Path:
    """Return the path that Z closes; a gap of rounding alone moves the last end to the start."""
    if segments and end != start and abs(end - start) <= _SNAP * max(1.0, abs(start)):
        match segments[-1]:
            case Line(start=a):
                segments[-1] = Line(a, start)
            case Arc(start=a, sweep=sweep):
                segments[-1] = Arc(a, start, sweep)
            case Cubic(start=a, control1=b, control2=c):
                segments[-1] = Cubic(a, b, c, start)
    elif end != start:
        segments = [*segments, Line(end, start)]
    if len(segments) < 2:
        raise _wrong("a subpath of fewer than two segments")
    return Path(tuple(segments))


def _segment(command: str, operands: list[float], current: complex) -> Segment:
    origin = current if command.islower() else 0j
    match command.upper(), operands:
        case "L", [x, y]:
            segment: Segment = Line(current, origin + complex(x, y))
        case "H", [x]:
            segment = Line(current, complex(origin.real + x, current.imag))
        case "V", [y]:
            segment = Line(current, complex(current.real, origin.imag + y))
        case "C", [x1, y1, x2, y2, x, y]:
            segment = Cubic(
                current, origin + complex(x1, y1), origin + complex(x2, y2), origin + complex(x, y)
            )
        case "A", [rx, ry, _, large, positive, x, y]:
            segment = _arc(current, origin + complex(x, y), (rx, ry), (large == 1, positive == 1))
        case _:
            raise _wrong(f"path command {command}")
    if segment.start == segment.end:
        raise _wrong("a segment that ends where it starts")
    return segment


def _arc(start: complex, end: complex, radii: tuple[float, float], flags: tuple[bool, bool]) -> Arc:
    """Return an SVG arc; a radius too small for the chord gives a half circle (SVG F.6.6)."""
    radius, other = map(abs, radii)
    if radius == 0 or abs(radius - other) > _SNAP * radius:
        raise _wrong("an arc that is not circular")
    large, positive = flags
    sweep = 2 * math.asin(min(1.0, abs(end - start) / (2 * radius)))
    if large:
        sweep = 2 * math.pi - sweep
    if sweep < _SNAP:  # a radius so large that the arc is its chord
        raise _wrong("an arc without bend")
    return Arc(start, end, sweep if positive else -sweep)


def _commands(data: str) -> Iterator[tuple[str, list[float]]]:
    """Yield each command with its operands; repeated operands repeat the command."""
    at, end = 0, len(data.rstrip())
    command = ""
    while at < end:
        match = _TOKEN.match(data, at)
        if match is None:
            raise _wrong("path data that cannot be read")
        if match[1]:
            command, at = match[1], match.end()
            if command.upper() not in _OPERANDS:
                raise _wrong(f"path command {command}")
        elif command in ("", "Z", "z"):
            raise _wrong("path data that cannot be read")
        operands: list[float] = []
        for index in range(_OPERANDS[command.upper()]):
            value, at = _operand(data, at, flag=command in "Aa" and index in (3, 4))
            operands.append(value)
        yield command, operands
        command = {"M": "L", "m": "l"}.get(command, command)


def _operand(data: str, at: int, *, flag: bool) -> tuple[float, int]:
    match = (_FLAG if flag else _TOKEN).match(data, at)
    text = match[match.lastindex or 0] if match else ""
    if match is None or (not flag and match[1]):
        raise _wrong("path data that cannot be read")
    value = float(text)
    if not cmath.isfinite(value) or abs(value) > 1e9:
        raise _wrong("a number out of range")
    return value, match.end()
