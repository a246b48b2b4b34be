"""Where two segments meet when extended."""

import pytest

from tracer.curves.segments import Cubic, Line, Segment
from tracer.fit.meet import meeting


def test_two_lines_meet_where_they_cross() -> None:
    assert meeting(Line(0, 1), Line(2 + 1j, 2 + 2j)) == pytest.approx((2.0, -1.0))


@pytest.mark.parametrize(
    "after",
    [
        Line(1 + 1j, 3 + 1j),  # parallel
        Cubic(1 + 1j, 1 + 1j, 2 + 2j, 3 + 3j),  # stands still where it begins: once divided by 0
    ],
)
def test_no_crossing_to_go_to(after: Segment) -> None:
    assert meeting(Line(0, 1), after) is None
