"""The SVG writer against the W3C's schema, its absolute units, and an independent renderer."""

import io
import math
import re
from functools import cache
from pathlib import Path as File

import numpy as np
import pytest
import resvg_py
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from numpy.typing import NDArray
from PIL import Image

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import Arc, Cubic, Line
from tracer.write.svg import number, write_svg, xml_text

SCHEMA = File(__file__).parent / "svg11-rng" / "svg11.rng"


@cache
def svg_schema() -> etree.RelaxNG:
    """The RELAX NG of SVG 1.1 as the W3C published it."""
    return etree.RelaxNG(etree.parse(str(SCHEMA)))


def circle(centre: complex, radius: float, *, hole: bool = False) -> Path:
    turn = -math.pi if hole else math.pi
    left, right = centre - radius, centre + radius
    return Path((Arc(left, right, turn), Arc(right, left, turn)))


RING = Drawing((Shape(circle(20 + 10j, 10), (circle(20 + 10j, 4, hole=True),)),))


def written(drawing: Drawing, unit: str = "px", title: str = "art") -> str:
    return write_svg(drawing, unit=unit, title=title, description="made by tracer")


def rendered(svg: str, pixels: int) -> NDArray[np.float64]:
    """Coverage of an SVG drawn by resvg, `pixels` wide.

    resvg rounds a size in mm to whole pixels, so the size is given in pixels here.
    """
    width, height = (
        float(size) for size in re.findall(r'(?:height|width)="([\d.]+)mm"', svg)[::-1]
    )
    svg = re.sub(r'width="[\d.]+mm"', f'width="{pixels}"', svg, count=1)
    svg = re.sub(r'height="[\d.]+mm"', f'height="{pixels * height / width}"', svg, count=1)
    png = resvg_py.svg_to_bytes(svg_string=svg, dpi=96)
    with Image.open(io.BytesIO(bytes(png))) as image:
        return np.asarray(image.convert("RGBA"))[..., 3] / 255


@pytest.mark.parametrize("unit", ["px", "pt", "mm"])
def test_valid_against_the_w3c_schema(unit: str) -> None:
    document = etree.fromstring(written(RING, unit).encode())
    assert svg_schema().validate(document), svg_schema().error_log


def test_the_schema_notices_what_is_wrong() -> None:
    text = written(RING)
    for wrong in (
        text.replace("evenodd", "odd"),
        text.replace("<path ", '<path data-x="1" '),
        text.replace("<title>", "<titel>").replace("</title>", "</titel>"),
    ):
        assert not svg_schema().validate(etree.fromstring(wrong.encode()))


@pytest.mark.parametrize(("unit", "per_inch"), [("px", 96), ("pt", 72), ("mm", 25.4)])
def test_true_size_by_css_absolute_units(unit: str, per_inch: float) -> None:
    """W3C CSS Values and Units, absolute lengths: 1in = 2.54cm = 96px = 72pt."""
    root = etree.fromstring(written(RING, unit).encode())
    assert root.get("width") == "20mm"
    assert root.get("height") == "20mm"
    _, _, width, height = map(float, root.get("viewBox").split())
    assert width == pytest.approx(20 / 25.4 * per_inch, abs=1e-4)
    assert height == width


def test_area_seen_by_an_independent_renderer() -> None:
    """pi (R^2 - r^2) of the ring, drawn by resvg at 40 px a mm."""
    coverage = rendered(written(RING), 800)
    seen = coverage.sum() / 40**2
    assert seen == pytest.approx(math.pi * (10**2 - 4**2), rel=2e-3)


@given(st.floats(0.3, 90), st.floats(-50, 50), st.floats(-50, 50))
def test_circle_is_two_arcs_about_one_centre(radius: float, x: float, y: float) -> None:
    """A half circle's centre hangs on the square root of its radius' error: hence 7 decimals."""
    svg = written(Drawing((Shape(circle(complex(x, y), radius)),)))
    data = re.search(r"M(\S+) (\S+) A(\S+) \S+ 0 . 1 (\S+) (\S+) A(\S+) ", svg)
    assert data is not None
    x0, y0, r0, x1, y1, r1 = map(float, data.groups())
    half_chord = math.hypot(x1 - x0, y1 - y0) / 2
    offset = math.sqrt(max(r0**2 - half_chord**2, 0))  # of the centre from the chord
    # radius to 0.5e-7 units: sqrt(2 r 0.5e-7), at most 0.006 units or 1.6 um at r = 90 mm
    assert offset <= math.sqrt(2 * r0 * 0.5e-7) + 1e-9
    assert r0 == r1


def test_segments_below_the_grid_are_left_out() -> None:
    tiny = 1e-6
    corners = [0j, 10 + 0j, 10 + tiny + 0j, 10 + 10j, 10j]
    assert written(Drawing((Shape(polyline_path(corners)),))).count("L") == 3


def test_curves_bulge_to_the_side_they_are_drawn_on() -> None:
    half = Path(
        (Arc(0j, 10 + 0j, math.pi), Line(10 + 0j, 0j))
    )  # below the chord: y up, turning left
    mound = Path((Line(0j, 10 + 0j), Cubic(10 + 0j, 10 + 6j, 6j, 0j)))
    for path in (half, mound):
        coverage = rendered(written(Drawing((Shape(path),))), 400)
        assert coverage.sum() / 40**2 == pytest.approx(abs(path.area), rel=0.01)
    dome = rendered(written(Drawing((Shape(mound),))), 400)
    assert dome[: len(dome) // 3].sum() < dome[-(len(dome) // 3) :].sum()


def test_refuses_numbers_that_are_none() -> None:
    with pytest.raises(ValueError, match="cannot be written"):
        number(math.nan)
    with pytest.raises(ValueError, match="cannot be written"):
        written(Drawing((Shape(polyline_path([0j, 1 + 0j, complex(math.inf, 1)])),)))


@given(st.text(max_size=40))
def test_any_title_gives_well_formed_valid_text(title: str) -> None:
    text = written(RING, title=title)
    root = etree.fromstring(text.encode("utf-8", "surrogatepass"))
    assert svg_schema().validate(root)
    assert (root[0].text or "").split() == xml_text(title).split()


@given(st.floats(-1e6, 1e6))
def test_numbers_are_plain_and_near(value: float) -> None:
    text = number(value)
    assert "e" not in text
    assert text != "-0"
    assert abs(float(text) - value) <= 0.5e-4 + 1e-9
