"""Any mask whatever through the whole pipeline (issue 8): what is promised holds, or is told."""

import io
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray
from PIL import Image

from tests.test_pipeline import assert_sound_geometry
from tracer.curves.path import Drawing
from tracer.errors import InputError
from tracer.model import Result
from tracer.pipeline import trace
from tracer.rules.verify import verify_drawing
from tracer.settings import Role, Settings, Size, SizeBy
from tracer.write.report import make_report
from tracer.write.svg_read import read_svg

Mask = NDArray[np.bool_]
CHEQUER: Mask = np.indices((13, 13)).sum(axis=0) % 2 == 0
COMB: Mask = np.tile(np.arange(24) % 2 == 0, (20, 1)) | (np.arange(20) == 0)[:, None]
NOTCHED: Mask = np.array([[0, 1, 1, 1], [1, 1, 0, 1], [1, 1, 1, 1], [1, 1, 1, 1]], bool)
RINGS: Mask = np.maximum(*np.abs(np.indices((31, 31)) - 15)) % 2 == 0

masks = hnp.arrays(
    np.bool_,
    st.tuples(st.integers(3, 24), st.integers(3, 24)),
    elements=st.booleans(),
    fill=st.booleans(),
)
roles = st.sampled_from(list(Role))


def png_of(mask: Mask) -> bytes:
    stream = io.BytesIO()
    alpha = np.pad(mask, 2).astype(np.uint8) * np.uint8(255)
    rgba = np.dstack([np.zeros((*alpha.shape, 3), np.uint8), alpha])
    Image.fromarray(rgba).save(stream, "PNG")
    return stream.getvalue()


def traced(mask: Mask, settings: Settings) -> Result:
    """Trace a mask, or give up on it where the tool refuses it with a reason."""
    try:
        return trace(png_of(mask), "mask.png", settings)
    except InputError as refused:
        expected = {"E_BLANK", "E_TOOSMALL", "E_NOTHINGLEFT", "E_TOOCOMPLEX"}
        assume(not (refused.hint and refused.code in expected))
        raise


@given(masks, roles, st.sampled_from([4.0, 15.0, 60.0]))
@example(CHEQUER, Role.RAISED, 15.0)
@example(COMB, Role.SUNK, 15.0)
@example(RINGS, Role.SILHOUETTE, 60.0)
@example(NOTCHED, Role.SILHOUETTE, 4.0)
@pytest.mark.slow
def test_any_mask_through_the_whole_pipeline(mask: Mask, role: Role, width: float) -> None:
    result = traced(mask, Settings(Size(SizeBy.WIDTH, width), role=role))
    written = read_svg(result.svg)
    left, _, right, _ = written.bounds
    assert right - left == pytest.approx(width, abs=0.05)  # issue 2
    # "flattened within a two-hundredth of the tolerance no path crosses" (`fit_drawing`)
    assert_sound_geometry(written, tolerance=result.tolerance_mm / 200)
    limits_hold_or_are_told(result, written)
    report = make_report(result, files={})
    assert report["drawing"]["pieces"] == len(written.shapes)  # type: ignore[index] # a table
    assert report["drawing"]["openings"] == sum(len(s.holes) for s in written.shapes)  # type: ignore[index] # a table


def limits_hold_or_are_told(result: Result, written: Drawing) -> None:
    """Measure the re-read file anew: what is below a limit stands in the report as open."""
    again = verify_drawing(
        written, result.settings.role, result.limits, grade=result.settings.grade
    )
    assert len(again.below) == len(result.verified.below)
    if again.below:
        assert make_report(result, files={})["verified"]["places"]  # type: ignore[index] # a table


Place = Callable[[np.ndarray, np.ndarray, float, float], tuple[np.ndarray, np.ndarray]]
TURNS: dict[str, tuple[Callable[[Mask], Mask], Place]] = {
    "quarter turn": (np.rot90, lambda x, y, _w, h: (h - y, x)),
    "mirrored": (lambda m: m[:, ::-1], lambda x, y, w, _h: (w - x, y)),
    "upside down": (lambda m: m[::-1], lambda x, y, _w, h: (x, h - y)),
}


@given(masks, st.sampled_from(sorted(TURNS)))
@example(CHEQUER, "mirrored")
@example(COMB, "quarter turn")
@pytest.mark.slow
def test_a_turned_mask_gives_the_turned_outline(mask: Mask, how: str) -> None:
    """As drawn, at 1 mm a pixel: the same pieces and openings, edges within what pixels tell.

    An edge of 1-bit artwork is known to half a pixel, which is the tolerance there; how staircases
    are smoothed depends on where a ring begins, and noise is nothing but staircases. Clean shapes
    turn exactly: `test_a_quarter_turn_changes_nothing`, `test_a_quarter_turn_carries_over`.
    """
    turn, place = TURNS[how]
    settings = Settings(Size(SizeBy.PITCH, 1.0), process="as-drawn")
    one = traced(mask, settings)
    two = traced(np.ascontiguousarray(turn(mask)), settings)
    rows, columns = (n + 4 for n in mask.shape)  # with the border
    assert difference(one.drawn, two.drawn, place, columns, rows) < one.tolerance_mm
    drawings = read_svg(one.svg), read_svg(two.svg)
    _, _, width, height = drawings[0].bounds
    # each lies within its tolerance of its rings, for nearly all of its length
    first, second = map(area_of, drawings)
    written = difference(first, second, place, width, height)
    assert written < one.tolerance_mm + two.tolerance_mm
    counts = [sorted(len(shape.holes) for shape in drawing.shapes) for drawing in drawings]
    assert counts[0] == counts[1]


def difference(
    one: shapely.MultiPolygon, two: shapely.MultiPolygon, place: Place, width: float, height: float
) -> float:
    """Return how far two outlines are apart in the mean, mm, the first one turned."""
    moved = shapely.transform(
        one, lambda p: np.column_stack(place(p[:, 0], p[:, 1], width, height))
    )
    return float(shapely.symmetric_difference(moved, two).area / two.length)


def area_of(drawing: Drawing) -> shapely.MultiPolygon:
    rings = []
    for shape in drawing.shapes:
        outer, *holes = ([(z.real, z.imag) for z in path.points(0.01)] for path in shape.paths)
        rings.append(shapely.Polygon(outer, holes))
    return shapely.MultiPolygon(rings)


def test_the_rulers_notice_a_planted_error() -> None:
    square = np.ones((12, 12), bool)
    result = traced(square, Settings(Size(SizeBy.WIDTH, 20.0), role=Role.RAISED))
    thin = read_svg(result.svg).mapped(0.02 + 0j, 0j)  # a fiftieth: far below every limit
    with pytest.raises(AssertionError):
        limits_hold_or_are_told(result, thin)
