"""What a caster writes for blank and hole."""

import pytest

from tracer.cli.piece_options import parse_blank, parse_hole
from tracer.errors import UsageError
from tracer.piece.blank import Disc, Grown, Oval, Rectangle, Silhouette


@pytest.mark.parametrize(
    ("text", "blank"),
    [
        ("disc:50mm", Disc(50)),
        ("disc:2in", Disc(50.8)),
        ("oval:50x36", Oval(50, 36)),
        ("rectangle:60mmx40mm:4mm", Rectangle(60, 40, 4)),
        ("rectangle:60x40", Rectangle(60, 40, 0)),
        ("outline:+3mm", Grown(3)),
        ("none", Silhouette()),
    ],
)
def test_blanks_are_read(text: str, blank: object) -> None:
    assert parse_blank(text) == blank


@pytest.mark.parametrize(
    "text",
    ["", "disc", "disc:", "disc:0", "disc:-5", "disc:nan", "oval:50", "rectangle:10x10:6", "none:3",
     "square:5", "disc:50x50"],
)  # fmt: skip
def test_what_is_no_blank_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        parse_blank(text)


def test_holes_are_read() -> None:
    assert parse_hole("4mm").size_mm == 4
    assert parse_hole("ring:AWG18").size_mm == pytest.approx(1.0237, abs=5e-5)
    assert parse_hole("ring:1mm").size_mm == 1
    assert parse_hole("cord:2mm").kind == "cord"
    assert parse_hole("none").kind == "none"
    for bad in ("ring:AWG99", "hook:3", "cord:", "-4mm", "4mm:3"):
        with pytest.raises(UsageError):
            parse_hole(bad)
