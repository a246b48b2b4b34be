"""Shapes whose widths are known in closed form, as drawings in mm."""

import cmath
import math

from fontTools.pens.recordingPen import DecomposingRecordingPen

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import Arc, Line
from tracer.process import Limit, Limits


def limits(metal: float, gap: float, island: float = 0.0, opening: float = 0.0) -> Limits:
    """Limits with the same value at every grade."""

    def limit(name: str, mm: float) -> Limit:
        return Limit(name, mm, mm, mm, "P", "M", "for a test")

    return Limits(
        limit("metal", metal), limit("gap", gap), limit("island", island), limit("opening", opening)
    )


def circle(centre: complex, radius: float, *, hole: bool = False) -> Path:
    turn = -math.pi if hole else math.pi
    left, right = centre - radius, centre + radius
    return Path((Arc(left, right, turn), Arc(right, left, turn)))


def drawing(*shapes: Path | Shape, turn_deg: float = 17.0) -> Drawing:
    """A drawing turned off the axes, so that nothing is aligned by luck."""
    made = Drawing(tuple(s if isinstance(s, Shape) else Shape(s) for s in shapes))
    return made.mapped(cmath.exp(1j * math.radians(turn_deg)), 3.1 - 2.7j)


def polygon(*points: tuple[float, float]) -> Path:
    return polyline_path([complex(*p) for p in points])


def rectangle(x: float, y: float, width: float, height: float) -> Path:
    return polygon((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def strip(width: float, length: float = 20.0) -> Drawing:
    return drawing(rectangle(0, 0, length, width))


def annulus(wall: float, radius: float = 10.0) -> Drawing:
    return drawing(Shape(circle(0, radius), (circle(0, radius - wall, hole=True),)))


def two_discs(gap: float, radius: float = 5.0) -> Drawing:
    return drawing(circle(-radius, radius), circle(radius + gap, radius))


def dumb_bell(width: float, length: float, radius: float = 3.0) -> Drawing:
    """Two discs on a straight bar; a very short bar is a pinch."""
    half = math.asin(width / 2 / radius)
    x, y = radius * math.cos(half), width / 2
    a, b = complex(x, y), complex(x, -y)
    c, d = b + length, a + length
    sweep = 2 * math.pi - 2 * half
    return drawing(Path((Arc(a, b, sweep), Line(b, c), Arc(c, d, sweep), Line(d, a))))


def comb(tooth: float, gap: float, teeth: int = 8, depth: float = 5.0) -> Drawing:
    points = []
    for k in range(teeth):
        x = k * (tooth + gap)
        points += [(x, 0.0), (x, -depth), (x + tooth, -depth), (x + tooth, 0.0)]
    right = points[-1][0]
    return drawing(polygon((0.0, depth), *points, (right, depth)))


def crescent(width: float) -> Drawing:
    """A disc of 20 mm less one of 15 mm; `width` is what is left at the thin side."""
    return drawing(Shape(circle(0, 20), (circle(5 - width, 15, hole=True),)))


def star(points: int, tip_deg: float, radius: float = 10.0) -> Drawing:
    half, tip = math.pi / points, math.radians(tip_deg) / 2
    inner = radius * math.tan(tip) / (math.sin(half) + math.tan(tip) * math.cos(half))
    corners = [
        (radius if k % 2 == 0 else inner) * cmath.exp(1j * half * k) for k in range(2 * points)
    ]
    return drawing(polyline_path(corners))


def regular(sides: int, radius: float = 10.0) -> Drawing:
    return drawing(
        polyline_path([radius * cmath.exp(2j * math.pi * k / sides) for k in range(sides)])
    )


def spiral(width: float, gap: float, turns: int = 3) -> Drawing:
    """A band of half circles: its width and the gap between its turns are the same all along."""
    outward: list[Arc | Line] = []
    inward: list[Arc | Line] = []
    at = 0.0
    for k in range(2 * turns):
        radius = 2 + width + gap + k * (width + gap) / 2
        centre = at + (radius if k % 2 == 0 else -radius)
        start, end = complex(at) - centre, complex(2 * centre - at) - centre
        out, into = 1 + width / 2 / radius, 1 - width / 2 / radius
        outward.append(Arc(centre + start * out, centre + end * out, math.pi))
        inward.insert(0, Arc(centre + end * into, centre + start * into, -math.pi))
        at = 2 * centre - at
    cap_out = Line(outward[-1].end, inward[0].start)
    cap_in = Line(inward[-1].end, outward[0].start)
    return drawing(Path((*outward, cap_out, *inward, cap_in)))


def stem(pen: DecomposingRecordingPen, mm_per_unit: float) -> Drawing:
    """A glyph of straight sides alone, as a drawing."""
    rings: list[list[complex]] = []
    for command, operands in pen.value:
        if command == "moveTo":
            rings.append([])
        if command in ("moveTo", "lineTo"):
            rings[-1].append(complex(*operands[0]) * mm_per_unit)
        else:
            assert command in ("closePath", "endPath")
    assert len(rings) == 1
    path = polyline_path(rings[0])
    return drawing(path if path.area > 0 else polyline_path(rings[0][::-1]))
