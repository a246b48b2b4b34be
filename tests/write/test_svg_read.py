"""Reading written SVG back: exact on our own files, and a closed door to everything else."""

import math
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import Arc, Cubic, Line
from tracer.errors import InputError
from tracer.write.svg import write_svg
from tracer.write.svg_read import read_svg

GRID_MM = 25.4 / 96 * 1e-4
"""Four decimals of a CSS pixel (W3C CSS Values and Units: 96 px = 25.4 mm)."""


def circle(centre: complex, radius: float, *, hole: bool = False) -> Path:
    turn = -math.pi if hole else math.pi
    left, right = centre - radius, centre + radius
    return Path((Arc(left, right, turn), Arc(right, left, turn)))


def page(data: str, *, box: str = "0 0 40 30", size: tuple[str, str] = ("40mm", "30mm")) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{size[0]}" height="{size[1]}" '
        f'viewBox="{box}"><path fill-rule="evenodd" d="{data}"/></svg>'
    )


def points_of(drawing: Drawing) -> list[complex]:
    return [segment.start for segment in drawing.segments]


numbers = st.floats(-80, 80).map(lambda x: round(x, 3))
points = st.builds(complex, numbers, numbers)


@st.composite
def rings(draw: st.DrawFn) -> Path:
    corners = draw(st.lists(points, min_size=3, max_size=8, unique=True))
    segments: list[Line | Arc | Cubic] = []
    for p, q in zip(corners, corners[1:] + corners[:1], strict=True):
        kind = draw(st.sampled_from(["line", "arc", "cubic"]))
        if kind == "line":
            segments.append(Line(p, q))
        elif kind == "arc":
            sweep = draw(st.floats(0.3, 5.9)) * draw(st.sampled_from([-1, 1]))
            segments.append(Arc(p, q, sweep))
        else:
            segments.append(Cubic(p, draw(points), draw(points), q))
    return Path(tuple(segments))


@given(rings(), st.sampled_from(["px", "pt", "mm"]))
def test_round_trip(ring: Path, unit: str) -> None:
    """Every segment comes back, shifted to the page, within the output grid."""
    if abs(ring.area) < 1:
        return
    ring = ring if ring.area > 0 else Path(tuple(s.reversed() for s in ring.segments[::-1]))
    drawing = Drawing((Shape(ring),))
    back = read_svg(write_svg(drawing, unit=unit, title="t", description="d"))
    left, bottom, _, _ = drawing.bounds
    grid = {"px": GRID_MM, "pt": GRID_MM * 96 / 72, "mm": 1e-4}[unit]
    wanted = list(drawing.mapped(1, -complex(left, bottom)).segments)
    got = list(back.segments)
    assert [type(s) for s in got] == [type(s) for s in wanted]
    for a, b in zip(got, wanted, strict=True):
        # a coordinate is off by half a step, the height of the page by another half
        assert abs(a.start - b.start) < 1.5 * grid
        assert abs(a.end - b.end) < 1.5 * grid
        if isinstance(a, Arc) and isinstance(b, Arc):
            # centre and middle follow from chord and radius: near a half circle with the square
            # root of the error of the radius, 10^-7 units: sqrt(2 * 80 mm * 10^-7) = 0.004 mm
            half = np.array(0.5)
            assert abs(a.at(half) - b.at(half)) < 0.005
        if isinstance(a, Cubic) and isinstance(b, Cubic):
            assert abs(a.control1 - b.control1) < 1.5 * grid
            assert abs(a.control2 - b.control2) < 1.5 * grid


def test_bottom_left_of_the_page_is_the_origin_and_y_runs_up() -> None:
    drawing = read_svg(page("M0 0 H40 V30 H0 Z"))
    assert set(points_of(drawing)) == {0, 40, 40 + 30j, 30j}
    assert drawing.area == pytest.approx(1200)
    top_left = read_svg(page("M0 0 H10 V10 H0 Z"))
    assert top_left.bounds == pytest.approx((0, 20, 10, 30))


@pytest.mark.parametrize(
    ("size", "box", "wanted"),
    [
        (("40mm", "30mm"), "0 0 40 30", 40.0),
        (("50.8mm", "25.4mm"), "0 0 192 96", 50.8),  # W3C CSS: 96 px an inch
        (("2in", "1in"), "0 0 144 72", 50.8),  # 72 pt an inch
        (("30mm", "15mm"), "0 0 1000 500", 30.0),
        (("4cm", "3cm"), "0 0 400 300", 40.0),
    ],
)
def test_true_size(size: tuple[str, str], box: str, wanted: float) -> None:
    width = float(box.split()[2])
    drawing = read_svg(page(f"M0 0 H{width} V{width / 4} H0 Z", box=box, size=size))
    assert drawing.bounds[2] - drawing.bounds[0] == pytest.approx(wanted, rel=1e-9)


def test_relative_and_absolute_commands_say_the_same() -> None:
    """Both forms of one outline, after the grammar of SVG 1.1 chapter 8.3."""
    absolute = read_svg(page("M5 5 L15 5 H20 V15 C20 18 18 20 15 20 A5 5 0 0 1 10 15 L5 15 Z"))
    relative = read_svg(page("m5,5l10,0h5v10c0 3-2 5-5 5a5,5,0,01-5-5l-5 0z"))
    assert absolute == relative


def test_repeated_operands_and_moves_draw_lines() -> None:
    assert read_svg(page("M0 0 10 0 10 10 0 10Z")) == read_svg(page("M0 0L10 0L10 10L0 10Z"))


@pytest.mark.parametrize("flags", ["0 0", "0 1", "1 0", "1 1"])
def test_the_four_arcs(flags: str) -> None:
    """SVG 1.1, F.6.5, radius 10 from (10, 10) to (20, 20), y down: x1' = y1' = -5.

    The root is 1, so the centre is (15, 15) + (y1', -x1') = (10, 20) where the flags differ, and
    (15, 15) - (y1', -x1') = (20, 10) where they are equal.
    """
    large, positive = map(int, flags.split())
    drawing = read_svg(page(f"M10 10 A10 10 0 {flags} 20 20 L25 0 Z"))
    [arc] = [s for s in drawing.segments if isinstance(s, Arc)]
    centre = complex(arc.centre.real, 30 - arc.centre.imag)
    assert arc.radius == pytest.approx(10)
    assert centre == pytest.approx(20 + 10j if large == positive else 10 + 20j)
    assert abs(arc.sweep) == pytest.approx(math.pi * (1.5 if large else 0.5))


def test_a_radius_too_small_for_its_chord_gives_a_half_circle() -> None:
    """SVG 1.1 F.6.6: the radii are scaled up."""
    drawing = read_svg(page("M5 15 A1 1 0 0 1 25 15 Z"))
    [arc] = [s for s in drawing.segments if isinstance(s, Arc)]
    assert arc.radius == pytest.approx(10)
    assert abs(arc.sweep) == pytest.approx(math.pi)


def test_holes_and_directions_follow_from_the_areas() -> None:
    """A hole written first and both rings run the same way: pieces left, holes right."""
    [shape] = read_svg(page("M5 5H8V8H5Z M0 0H40V30H0Z")).shapes
    assert shape.outer.area == pytest.approx(1200)
    assert [hole.area for hole in shape.holes] == [pytest.approx(-9)]


@pytest.mark.parametrize(
    ("case", "text"),
    [
        ("empty", ""),
        ("not XML", "hello"),
        ("cut off", page("M0 0H1V1Z")[:-20]),
        ("entity bomb", '<!DOCTYPE svg [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + page("&b;")),
        (
            "external entity",
            '<!DOCTYPE svg [<!ENTITY x SYSTEM "file:///etc/passwd">]>' + page("&x;"),
        ),
        ("doctype", '<!DOCTYPE svg SYSTEM "http://example.org/x.dtd">' + page("M0 0H1V1Z")),
        ("instruction", '<?xml-stylesheet href="x.css"?>' + page("M0 0H1V1Z")),
        ("script", page("M0 0H1V1Z").replace("<path", "<script>1</script><path")),
        ("image", page("M0 0H1V1Z").replace("<path", '<image width="1"/><path')),
        ("handler", page("M0 0H1V1Z").replace("<path", '<path onclick="x()"')),
        ("transform", page("M0 0H1V1Z").replace("<path", '<path transform="scale(2)"')),
        ("style", page("M0 0H1V1Z").replace("<path", '<path style="fill:url(#x)"')),
        ("namespace", page("M0 0H1V1Z").replace("2000/svg", "2001/svg")),
        ("non-zero", page("M0 0H1V1Z").replace("evenodd", "nonzero")),
        ("group", page("M0 0H1V1Z").replace("<path", "<g/><path")),
        ("nested svg", page("M0 0H1V1Z").replace("<path", '<svg width="1mm"/><path')),
        ("text", page("M0 0H1V1Z").replace("<path", "text<path")),
        ("open path", page("M0 0H1V1")),
        ("no data", page("")),
        ("no area", page("M0 0H1Z")),
        ("no move", page("L1 1H2Z")),
        ("quadratic", page("M0 0Q1 1 2 0Z")),
        ("ellipse", page("M0 0A2 1 0 0 1 4 0Z")),
        ("bad flag", page("M0 0A2 2 0 2 1 4 0Z")),
        ("missing operand", page("M0 0L1Z")),
        ("nan", page("M0 0Lnan 1L1 1Z")),
        ("infinite", page("M0 0L1e999 1L1 1Z")),
        ("huge", page("M0 0L1e12 1L1 1Z")),
        ("other digits", page("M0 0L\u0661 1L1 1Z")),
        ("nothing long", page("M0 0L0 0L1 1L1 0Z")),
        ("no size", page("M0 0H1V1Z", size=("", "30mm"))),
        ("percent", page("M0 0H1V1Z", size=("100%", "30mm"))),
        ("zero size", page("M0 0H1V1Z", size=("0mm", "30mm"))),
        ("negative box", page("M0 0H1V1Z", box="0 0 -40 30")),
        ("two scales", page("M0 0H1V1Z", box="0 0 40 40")),
        ("lone surrogate", page("M0 0H1V1Z").replace("evenodd", "evenodd\ud800")),
    ],
)
def test_refuses_what_is_not_ours(case: str, text: str) -> None:
    with pytest.raises(InputError) as caught:
        read_svg(text)
    assert caught.value.code == "E_DAMAGED", case
    assert "\n" not in str(caught.value)


def test_refuses_a_text_out_of_all_proportion() -> None:
    with pytest.raises(InputError):
        read_svg(" " * 64_000_001)


def test_deep_nesting_does_not_recurse() -> None:
    with pytest.raises(InputError):
        read_svg('<svg xmlns="http://www.w3.org/2000/svg">' * 200_000)


@pytest.mark.slow
def test_time_grows_with_the_text() -> None:
    """50,000 segments are read in under two seconds of CPU: no step is quadratic."""
    ring = polyline_path([20 * complex(math.cos(a), math.sin(a)) for a in
                          (2 * math.pi * k / 50_000 for k in range(50_000))])  # fmt: skip
    text = write_svg(Drawing((Shape(ring),)), unit="px", title="t", description="d")
    start = time.process_time()
    drawing = read_svg(text)
    assert time.process_time() - start < 2
    assert sum(1 for _ in drawing.segments) > 49_000


@given(st.text(alphabet="MLHVCAZmlhvcaz0123456789.,-+e \n", max_size=60))
def test_path_data_never_breaks_the_reader(data: str) -> None:
    try:
        drawing = read_svg(page(data))
    except InputError:
        return
    assert all(math.isfinite(abs(p)) for p in points_of(drawing))


def test_touching_circles_come_back_as_circles() -> None:
    drawing = Drawing((Shape(circle(7.3 + 1j, 5), (circle(7.3 + 1j, 2, hole=True),)),))
    back = read_svg(write_svg(drawing, unit="px", title="t", description="d"))
    radii = [path.circle[1] for path in back.paths if path.circle]
    assert radii == [pytest.approx(5, abs=1e-4), pytest.approx(2, abs=1e-4)]
