"""What tells that a triangulation is at fault, on four points whose triangles are written out."""

import numpy as np

from tracer.rules.skeleton import _has_both_sides

AROUND = np.array([1, 2, 3, 0])
INSIDE = [(0, 1, 2), (0, 2, 3)]
OUTSIDE = [(1, 0, 4), (2, 1, 4), (3, 2, 4), (0, 3, 4)]


def test_a_side_with_triangles_on_one_hand_only_is_a_fault() -> None:
    """GEOS can leave the ground beside a long straight side without any."""
    assert _has_both_sides(AROUND, np.array(INSIDE + OUTSIDE))
    assert not _has_both_sides(AROUND, np.array(INSIDE + OUTSIDE[1:]))


def test_a_side_that_is_no_edge_at_all_is_none() -> None:
    """From 1 straight to 3: what it faces is nearer than its ends are to each other."""
    crossing = np.array([1, 3, 0, 1])
    assert _has_both_sides(crossing, np.array([*INSIDE, *OUTSIDE, (1, 0, 2), (2, 0, 3)]))
