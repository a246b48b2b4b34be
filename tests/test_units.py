"""Lengths as a user writes them, against the W3C's absolute units."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracer.errors import UsageError
from tracer.units import CSS_PX_PER_MM, PT_PER_MM, parse_length, shown_length


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("50mm", 50),
        ("5cm", 50),
        ("2in", 50.8),
        ("50", 50),
        (" 50 mm ", 50),
        (".5", 0.5),
        ("800um", 0.8),
    ],
)
def test_reads_what_a_caster_writes(text: str, mm: float) -> None:
    assert parse_length(text, option="--width") == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "nan",
        "inf",
        "-1",
        "0",
        "1e400",
        "1e-320",
        "",
        "abc",
        "1_0",
        "\uff11.\uff15",  # digits of full width, which float() takes
        "50 px",
        "0x10",
        "5,0,0",
        "1e3",
    ],
)
def test_refuses_in_one_line_that_names_the_option(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_length(text, option="--min-gap")
    assert str(caught.value).startswith("--min-gap: ")
    assert "\n" not in str(caught.value)
    assert caught.value.status == 2


def test_a_comma_gets_the_point() -> None:
    with pytest.raises(UsageError, match=r"use a point: 1\.5"):
        parse_length("1,5", option="--width")


def test_css_absolute_units() -> None:
    """W3C CSS Values and Units: 1in = 2.54cm = 96px = 72pt; 1 mm = 3.7795276 px."""
    assert math.isclose(CSS_PX_PER_MM * 25.4, 96)
    assert math.isclose(PT_PER_MM * 25.4, 72)
    assert round(CSS_PX_PER_MM, 7) == 3.7795276


@given(st.floats(0.001, 1999).map(lambda x: round(x, 3)))
def test_round_trip(mm: float) -> None:
    assert parse_length(f"{mm}mm", option="-") == mm
    assert float(shown_length(mm).removesuffix(" mm")) == pytest.approx(mm, abs=0.0051)


@given(st.text(max_size=12))
def test_any_text_gives_a_length_or_our_error(text: str) -> None:
    try:
        length = parse_length(text, option="--width")
    except UsageError:
        return
    assert 1e-4 <= length <= 2000
