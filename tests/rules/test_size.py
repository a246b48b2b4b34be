"""The smallest safe size, the curve of size against loss, and limits raised by relief."""

import math
from typing import Any

import pytest
import shapely

from tests.rules.shapes import comb, dumbbell, limits, region, star, wanted
from tracer.model import SizePoint, Verdict
from tracer.process import limits_for, load_process
from tracer.rules.mend import mend_region
from tracer.rules.relief import adjusted_limits
from tracer.rules.size import size_curve
from tracer.rules.survey import Survey, sizes_of, survey
from tracer.settings import Grade, Overrules, Relief, Role, Settings, Size, SizeBy


def surveyed(shape: Any) -> Survey:
    return survey(shape, sizes_of(limits(), Grade.ADVISED, 0.01), Role.RAISED)


def curve(shape: Any, *widths_mm: float) -> tuple[SizePoint, ...]:
    return size_curve(surveyed(shape), limits(), wanted(), widths_mm)


def _width(shape: Any) -> float:
    return float(shape.bounds[2] - shape.bounds[0])


def test_widths_grow_with_the_piece() -> None:
    """A neck of 0.5 mm in a piece 13 mm wide is 0.8 mm at 20.8 mm."""
    shape = dumbbell(0.5)
    small, just_below, just_above, large = curve(shape, 13.0, 20.2, 21.2, 40.0)
    assert (small.places, just_below.places, just_above.places, large.places) == (1, 1, 0, 0)
    assert just_above.verdict is large.verdict is Verdict.SOUND
    assert small.verdict is Verdict.AT_RISK
    assert mend_region(shape, limits(), wanted(), margin_mm=0.01).smallest_safe_factor == (
        pytest.approx(1.6, rel=0.02)
    )


def test_the_curve_counts_what_was_found() -> None:
    """At the present size the curve is the survey itself; twice as large, a tip stays a tip."""
    shape = star(5, 36)
    present, large = curve(shape, *(x * _width(shape) for x in (1.0, 2.0)))
    assert present.places == len(surveyed(shape).defects) == large.places == 5
    assert present.verdict is large.verdict is Verdict.AT_RISK


def test_share_changed_is_near_what_mending_does() -> None:
    """The estimate along the centre line against the true change: within a tenth."""
    shape = dumbbell(0.5, 6.0)
    (point,) = curve(shape, 16.0)
    mended = mend_region(shape, limits(), wanted(), margin_mm=1e-4)
    true = mended.region.symmetric_difference(shape).area / shape.area
    assert point.share_changed == pytest.approx(true, rel=0.1)


def safe_factor(shape: Any) -> float:
    return mend_region(shape, limits(), wanted(), margin_mm=0.01).smallest_safe_factor


@pytest.mark.parametrize(
    ("width", "factor"), [(0.8, 1.0), (1.0, 0.8), (2.0, 0.4), (4.1, 0.8 / 4.1)]
)
def test_a_sound_bar_may_be_smaller_until_it_is_a_hairline(width: float, factor: float) -> None:
    """A bar of width w is 0.8 mm wide at 0.8 / w times its size, to 2 % (or 0.02 mm of width)."""
    bar = region(shapely.box(0, 0, 10 * width, width))
    assert safe_factor(bar) == pytest.approx(factor, rel=0.02)


def test_a_sound_disc_may_be_smaller_until_it_is_a_small_island() -> None:
    """The advised least island is twice the line, 1.6 mm."""
    assert safe_factor(region(shapely.Point(0, 0).buffer(10))) == pytest.approx(0.08, rel=0.02)


def test_points_are_not_counted_against_the_size() -> None:
    """A star is sound until it is a small island: its inscribed disc touches the inner corners."""
    sharp = star(5, 36)
    inner = min(math.hypot(x, y) for x, y in shapely.get_coordinates(sharp))
    assert safe_factor(sharp) == pytest.approx(1.6 / (2 * inner), rel=0.02)


def test_no_size_joins_a_loose_piece() -> None:
    two = region(shapely.box(0, 0, 5, 5), shapely.box(8, 0, 12, 4))
    mended = mend_region(two, limits(), wanted(Role.SILHOUETTE), margin_mm=0.01)
    assert math.isinf(mended.smallest_safe_factor)


def test_without_limits_nothing_is_done() -> None:
    process = load_process("as-drawn")
    settings = Settings(size=Size(SizeBy.WIDTH, 40), process="as-drawn")
    own = limits_for(process, Role.RAISED, Overrules())
    shape = comb(0.1, 0.1)
    mended = mend_region(shape, own, settings, margin_mm=0.01)
    assert mended.region is shape
    assert mended.verdict is Verdict.SOUND
    assert adjusted_limits(own, process, settings) == (own, ())


def relieved(**relief: Any) -> Any:
    process = load_process("pewter-silicone")
    settings = Settings(size=Size(SizeBy.WIDTH, 40), role=Role.RAISED, relief=Relief(**relief))
    own = limits_for(process, settings.role, settings.overrules)
    return own, *adjusted_limits(own, process, settings)


def test_finishing_takes_both_sides() -> None:
    own, raised, notes = relieved(finish_mm=0.15)
    assert raised.metal.advised == pytest.approx(own.metal.advised + 0.3)
    assert raised.island.least == pytest.approx(own.island.least + 0.3)
    assert raised.gap == own.gap
    assert "0.3 mm" in notes[0]


def test_fins_of_two_to_one() -> None:
    """Height over width at most 2 (advised), 3 (least): 3 mm high fins are 1.5 and 1.0 mm wide."""
    _, raised, _ = relieved(height_mm=3.0)
    assert (raised.gap.least, raised.gap.advised) == (pytest.approx(1.0), pytest.approx(1.5))
    assert "fins" in raised.gap.basis


def test_draft_closes_a_gap_at_its_foot() -> None:
    """2 H tan(draft): 3 mm at 3 degrees is 0.3144 mm (a table of tangents gives 0.0524 a side)."""
    _, _, notes = relieved(height_mm=3.0, draft_deg=3.0)
    assert "0.31 mm" in notes[0]


def test_the_larger_of_print_and_casting() -> None:
    """Filament prints strokes of 0.6 mm: the least line of 0.5 mm rises, the advised 0.8 stays."""
    own, raised, notes = relieved(printer="fdm")
    assert (raised.metal.least, raised.metal.advised) == (0.6, own.metal.advised)
    assert notes
    assert not relieved(printer="resin")[2]
