"""What a plan warns of, at the edge of each rule: shop rules, common practice, no source."""

import pytest

from tests.piece.forms import DISC, spot
from tracer.piece.notes import layer_notes, piece_notes
from tracer.piece.values import Level, Note, Piece, Rule
from tracer.process import load_process


def sunk(depth: float) -> Piece:
    return Piece(DISC, 6, (Level("sunk", spot(8), -depth),))


def jump_of(piece: Piece) -> list[Note]:
    size = (50.0, 50.0, piece.top_mm)
    found = piece_notes(piece, size, load_process("pewter-silicone"))
    return [note for note in found if note.code == "thickness-jump"]


# 6 mm over 6 - d: 2 to 1 at d = 3, 3 to 1 at d = 4
@pytest.mark.parametrize(("depth", "told"), [(2.99, []), (3.01, [False]), (3.99, [False]),
                                             (4.01, [True])])  # fmt: skip
def test_a_step_above_two_to_one_is_told_and_above_three_to_one_left_open(
    depth: float, told: list[bool]
) -> None:
    found = jump_of(sunk(depth))
    assert [note.is_open for note in found] == told
    assert all(note.rule is Rule.SHOP_RULE for note in found)


# 1 mm in layers of 0.1 mm: 10 as drawn, 10.05 at 1 / 0.995, 10.2 at 1 / 0.98
@pytest.mark.parametrize(("height", "scale", "told"), [
    (1.0, 1.0, 0), (1.0, 1 / 0.995, 0), (1.0, 1 / 0.98, 1), (0.98, 1 / 0.98, 0),
    (0.05, 1.0, 1), (1.05, 1.0, 1), (1.045, 1 / 0.95, 0),
])  # fmt: skip
def test_layers_are_those_of_the_master(height: float, scale: float, told: int) -> None:
    piece = Piece(DISC, 5, (Level("raised", spot(8), height),))
    assert len(list(layer_notes(piece, 0.1, scale))) == told
