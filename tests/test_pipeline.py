"""The main job from bytes to the written drawing, judged by an independent renderer."""

import io
import re

import numpy as np
import pytest
import resvg_py
import shapely
from numpy.typing import NDArray
from PIL import Image

from tests.drawings import TrueDrawing, mixed
from tracer.curves.path import Drawing, Shape, polyline_path
from tracer.errors import InputError
from tracer.job import work
from tracer.model import Edge, Result
from tracer.pipeline import trace, trace_all
from tracer.settings import InkOptions, Role, Settings, Size, SizeBy
from tracer.write.svg_read import read_svg

PIXELS = 800
WIDTH_MM = 40.0
ICONS = tuple(mixed(18, seed=7))
AS_DRAWN = Settings(Size(SizeBy.WIDTH, WIDTH_MM), process="as-drawn")


def png_of(alpha: NDArray[np.uint8]) -> bytes:
    rgba = np.dstack([np.zeros((*alpha.shape, 3), np.uint8), alpha])
    stream = io.BytesIO()
    Image.fromarray(rgba).save(stream, "PNG")
    return stream.getvalue()


def painted(result: Result) -> NDArray[np.float64]:
    """Coverage of the written SVG on the artwork's own pixels, drawn by resvg."""
    rows, columns = result.coverage.values.shape
    pitch = result.frame.pitch_mm
    left, top = result.page_origin_mm
    width, height = result.page_mm
    box = [float(x) for x in re.findall(r'viewBox="([^"]+)"', result.svg)[0].split()]
    inner = result.svg[result.svg.index("<path") : result.svg.rindex("</svg>")]
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{columns}" height="{rows}">'
        f'<g transform="translate({left / pitch} {top / pitch}) '
        f'scale({width / pitch / box[2]} {height / pitch / box[3]})">{inner}</g></svg>'
    )
    png = resvg_py.svg_to_bytes(svg_string=svg, dpi=96)
    with Image.open(io.BytesIO(bytes(png))) as image:
        return np.asarray(image.convert("RGBA"))[..., 3] / 255


def difference(result: Result) -> float:
    """Area where the drawing and the artwork disagree, over the area of ink."""
    seen = result.coverage.values.astype(float)
    return float(np.abs(painted(result) - seen).sum() / seen.sum())


def assert_sound_geometry(drawing: Drawing, tolerance: float = 0.002) -> None:
    """No zero-length segments, closed paths, no crossings within or between paths."""
    for path in drawing.paths:
        for one, two in zip(path.segments, (*path.segments[1:], path.segments[0]), strict=True):
            assert abs(one.end - two.start) < 1e-9
            assert one.length > 1e-5
    shapes = []
    for shape in drawing.shapes:
        outer, *holes = ([(z.real, z.imag) for z in path.points(tolerance)] for path in shape.paths)
        shapes.append(shapely.Polygon(outer, holes))
    assert all(s.is_valid for s in shapes), [shapely.is_valid_reason(s) for s in shapes]
    assert shapely.union_all(shapes).area == pytest.approx(sum(s.area for s in shapes), rel=1e-6)


def test_the_rulers_notice_planted_errors() -> None:
    result = trace(ICONS[0].png(PIXELS), "icon.png", AS_DRAWN)
    off = 0.3 * result.frame.pitch_mm  # three tenths of a pixel to the right
    frame = re.sub(r"<path ", f'<path transform="translate({off * 96 / 25.4} 0)" ', result.svg)
    moved = type(result)(**{f: getattr(result, f) for f in result.__slots__} | {"svg": frame})
    assert difference(moved) > 1.5 * difference(result)
    crossing = Drawing((Shape(polyline_path([0j, 2 + 2j, 2 + 0j, 2j])),))
    with pytest.raises(AssertionError):
        assert_sound_geometry(crossing)


@pytest.mark.parametrize(
    "icon",
    [
        pytest.param(d, id=d.name, marks=pytest.mark.slow if i > 5 else ())
        for i, d in enumerate(ICONS)
    ],
)
def test_icons_as_drawn(icon: TrueDrawing) -> None:
    """800 px to 40 mm: size within 0.05 mm, valid, and the renderer sees the same shape."""
    result = trace(icon.png(PIXELS), f"{icon.name}.png", AS_DRAWN)
    written = read_svg(result.svg)
    left, bottom, right, top = written.bounds
    assert right - left == pytest.approx(WIDTH_MM, abs=0.05)
    assert result.page_mm == pytest.approx((right - left, top - bottom), abs=1e-4)
    assert_sound_geometry(written)
    assert difference(result) < 0.003 * boundary_share(result)


def boundary_share(result: Result) -> float:
    """1 for the fixtures' ratio of edge to area, more for icons of thin lines.

    0.3 % of the area is the bound for solid artwork; where there is more edge per area than on a
    disc of 150 px (0.0133 px of edge a px2), the allowance grows with the edge.
    """
    values = result.coverage.values
    edge = np.count_nonzero((values > 0.02) & (values < 0.98))
    return max(1.0, float(edge / values.sum()) / (2 / 150))


@pytest.mark.parametrize("role", list(Role))
def test_roles_and_repairs_keep_size_and_geometry(role: Role) -> None:
    settings = Settings(Size(SizeBy.WIDTH, 30.0), role=role)
    for icon in ICONS[:3]:
        result = trace(icon.png(512), f"{icon.name}.png", settings)
        written = read_svg(result.svg)
        left, _, right, _ = written.bounds
        assert right - left == pytest.approx(30, abs=0.05)
        assert_sound_geometry(written)


def test_height_and_pitch() -> None:
    icon = ICONS[2]
    tall = trace(icon.png(400), "a.png", Settings(Size(SizeBy.HEIGHT, 25.0), process="as-drawn"))
    assert tall.page_mm[1] == pytest.approx(25, abs=1e-3)
    fixed = trace(icon.png(400), "a.png", Settings(Size(SizeBy.PITCH, 0.1), process="as-drawn"))
    assert fixed.frame.pitch_mm == pytest.approx(0.1)
    alpha = icon.alpha(400)
    columns = np.flatnonzero(alpha.max(axis=0) > 127)
    assert fixed.page_mm[0] == pytest.approx((np.ptp(columns) + 1) * 0.1, abs=0.11)


def test_page_origin_is_where_the_ink_begins() -> None:
    """A square of 100 px with its corner at (37, 61) px, at 0.1 mm a pixel."""
    alpha = np.zeros((256, 300), np.uint8)
    alpha[61:161, 37:137] = 255
    result = trace(
        png_of(alpha), "square.png", Settings(Size(SizeBy.PITCH, 0.1), process="as-drawn")
    )
    assert result.page_origin_mm == pytest.approx((3.7, 6.1), abs=0.01)
    assert result.page_mm == pytest.approx((10, 10), abs=0.01)


def test_same_bytes_twice() -> None:
    settings = Settings(Size(SizeBy.WIDTH, 30.0), role=Role.RAISED, dxf=True)
    one, two = (work(ICONS[1].png(512), "a.png", settings).texts for _ in range(2))
    assert one == two
    assert sorted(one) == [".dxf", ".html", ".json", ".svg"]


def test_check_leaves_the_outline_as_drawn() -> None:
    settings = Settings(Size(SizeBy.WIDTH, 12.0), role=Role.RAISED)
    [result] = trace_all(ICONS[1].png(512), "a.png", settings, check_only=True)
    assert result.mended.region.equals(result.drawn)


def test_ink_too_narrow_for_its_width_is_refused_by_size() -> None:
    """A line 2 px wide and 300 px high, made 40 mm wide, would be 6 m high.

    To half a pixel, within which edges of one bit are known: from 4.8 to 8 m.
    """
    line = np.zeros((320, 40), np.uint8)
    line[10:310, 20:22] = 255
    with pytest.raises(InputError, match=r"40 x [56],\d\d\d mm") as refused:
        trace(png_of(line), "line.png", AS_DRAWN)
    assert refused.value.code == "E_SIZE"


def three_discs(file_format: str, **options: int) -> bytes:
    """Return three discs one on the other, 340, 240 and 100 px in radius."""
    y, x = np.mgrid[:800, :960] + 0.5
    picture = np.broadcast_to(np.array([250.0, 242, 220]), (800, 960, 3))
    for colour, radius in (((240, 190, 60), 340), ((190, 26, 30), 240), ((20, 30, 90), 100)):
        cover = np.clip(radius - np.hypot(x - 480, y - 400) + 0.5, 0, 1)[..., None]
        picture = picture * (1 - cover) + np.array(colour) * cover
    stream = io.BytesIO()
    Image.fromarray(np.rint(picture).astype(np.uint8)).save(stream, file_format, **options)
    return stream.getvalue()


def test_levels_keep_their_scale_and_place() -> None:
    """The widest of three discs gets the size."""
    settings = Settings(Size(SizeBy.WIDTH, 68.0), ink=InkOptions(levels=3))
    found = trace_all(three_discs("PNG"), "levels", settings)
    # 0.1 mm a pixel; the fit may be off by a third of one
    assert [r.page_mm[0] for r in found] == pytest.approx([68, 48, 20], abs=0.03)
    middles = [np.add(r.page_origin_mm, np.divide(r.page_mm, 2)) for r in found]
    assert np.ptp(middles, axis=0) == pytest.approx([0, 0], abs=0.03)


@pytest.mark.parametrize("quality", [60, 75, 85, 92])
def test_levels_of_a_jpeg_are_as_smooth_as_its_brightness(quality: int) -> None:
    """Two causes: flats had been made pure, so that nothing rang, and JPEG of less quality moves
    an edge between two colours by more than its flats tell. At 60 the middle disc had 322 segments.
    """
    settings = Settings(Size(SizeBy.WIDTH, 68.0), ink=InkOptions(levels=3))
    found = trace_all(three_discs("JPEG", quality=quality), "levels", settings)
    assert found[1].noise.kind in (Edge.RINGING, Edge.SOFT)
    for result, size in zip(found, (68, 48, 20), strict=True):
        assert result.page_mm[0] == pytest.approx(size, abs=0.03)
        assert sum(1 for _ in result.fitted.drawing.segments) == 2


def test_islands_at_the_edge_that_come_and_go_with_the_size() -> None:
    """A plate of 280 px between two squares of 24 px, all 400 px across.

    At 25 mm in all the squares are 1.5 mm, below the 1.6 mm of an island: they go. The plate alone
    at 25 mm would leave them 2.1 mm: they would stay, and make it 36 mm. No pitch gives the size
    unless they are gone for good; it was scaled away after mending, and every limit with it.
    """
    alpha = np.zeros((240, 440), np.uint8)
    alpha[40:200, 80:360] = 255
    alpha[100:124, 20:44] = alpha[100:124, 396:420] = 255
    alpha[80:160, 160:166] = 0  # a slot of .54 mm, to be widened to the limit at the right size
    settings = Settings(Size(SizeBy.WIDTH, 25.0), role=Role.RAISED)
    result = trace(png_of(alpha), "wings.png", settings)
    left, _, right, _ = result.fitted.drawing.bounds
    assert right - left == pytest.approx(25, abs=1e-6)
    assert len(result.fitted.drawing.shapes) == 1
    assert sorted(f.kind for f in result.mended.findings) == ["narrow-gap"] + 2 * ["small-island"]
    assert {f.status for f in result.mended.findings} == {"fixed"}
    assert {round(f.width_mm, 1) for f in result.mended.findings[:2]} == {1.5}
    assert not result.verified.below
