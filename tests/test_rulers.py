"""The rulers notice planted errors, and agree with a slow independent way."""

import numpy as np
import pytest
import shapely

from tests.drawings import TrueDrawing, drawings
from tests.rulers import Spread, one_sided, score_corners, sign_changes, two_sided
from tests.truth import Corners, Floats, true_outline, turns


def square(side: float = 40.0, per_side: int = 1) -> Floats:
    corners = np.array([[0.0, 0.0], [side, 0.0], [side, side], [0.0, side]])
    t = np.arange(per_side)[:, None] / per_side
    ways = np.roll(corners, -1, axis=0) - corners
    return np.concatenate([c + t * w for c, w in zip(corners, ways, strict=True)])


def circle(radius: float, centre: tuple[float, float] = (0.0, 0.0), n: int = 2000) -> Floats:
    a = np.arange(n) * 2 * np.pi / n
    return np.column_stack([centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a)])


def test_an_outline_is_no_distance_from_itself() -> None:
    spread = two_sided([square()], [square(per_side=7)])
    # single precision on coordinates below 0.3 px about each piece
    assert spread.largest < 1e-6


def test_a_side_moved_by_a_twentieth_of_a_pixel_is_seen() -> None:
    moved = square()
    moved[[0, 1], 1] -= 0.05
    spread = two_sided([moved], [square()])
    assert spread.largest == pytest.approx(0.05, abs=1e-3)
    # the moved side is a quarter of the length
    assert spread.percentile(70) < 1e-3
    assert spread.percentile(90) == pytest.approx(0.05, abs=1e-3)


def test_a_larger_circle_is_its_radius_away_everywhere() -> None:
    spread = two_sided([circle(20.05)], [circle(20.0)])
    # chords of 2000 sides leave 20 * (1 - cos(pi / 2000)) = 2.5e-5 px
    assert spread.percentile(1) == pytest.approx(0.05, abs=1e-4)
    assert spread.largest == pytest.approx(0.05, abs=1e-4)


def test_a_missing_piece_is_seen_from_the_truth_only() -> None:
    both = [square(), circle(5.0, (100.0, 20.0))]
    assert one_sided(both[:1], both).largest < 1e-6
    assert two_sided(both[:1], both).largest > 50


def test_a_missing_segment_is_seen() -> None:
    cut = np.delete(square(), 2, axis=0)  # the diagonal instead of two sides
    assert two_sided([cut], [square()]).largest == pytest.approx(40 / np.sqrt(2), abs=0.02)


def test_an_end_that_was_moved_is_seen() -> None:
    spiked = square(per_side=40)
    spiked[13] += [0.0, -3.0]
    assert two_sided([spiked], [square()]).largest == pytest.approx(3.0, abs=0.02)


def test_an_outline_that_is_missing_is_infinitely_far() -> None:
    assert two_sided([], [square()]).largest == np.inf
    assert two_sided([square()], []).percentile(50) == np.inf


def test_distances_agree_with_shapely() -> None:
    """GEOS measures each sample against the whole outline, slowly."""
    truth = true_outline(drawings("serif", 2)[1], 60)
    rng = np.random.default_rng(7)
    ours = [ring + rng.normal(0, 0.1, ring.shape) for ring in truth.rings]
    spread = one_sided(ours, truth.rings, step=0.1)
    lines = shapely.MultiLineString([shapely.LinearRing(ring) for ring in truth.rings])
    points = np.concatenate([_middles(ring, 0.1) for ring in ours])
    assert len(points) == len(spread.distances)
    slow = shapely.distance(shapely.points(points), lines)
    assert np.all(spread.distances >= slow - 1e-5)
    assert np.mean(spread.distances > slow + 1e-3) < 0.01


def _middles(ring: Floats, step: float) -> Floats:
    """Return the middles of equal parts of at most `step`, of parts of at most 0.2."""
    out = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        parts = max(1, int(np.ceil(np.hypot(*(b - a)) / 0.2)))
        length = np.hypot(*(b - a)) / parts
        each = max(1, int(np.ceil(length / step - 1e-9)))
        n = parts * each
        out.append(a + (b - a) * ((np.arange(n) + 0.5) / n)[:, None])
    return np.concatenate(out)


def test_changes_of_curvature_are_counted() -> None:
    assert sign_changes([circle(20.0)]) == 0
    t = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    wavy = 20 + 2 * np.cos(5 * t)  # curvature changes sign twice a wave: 1 + 25 * 2 / 20 > 2
    assert sign_changes([np.column_stack([wavy * np.cos(t), wavy * np.sin(t)])]) == 10
    dented = square(per_side=3)
    dented[1] += [0, 0.5]  # one vertex pushed in turns back at it, and turns on after it
    assert sign_changes([square()]) == 0
    assert sign_changes([dented]) == 2


def test_percentiles_go_by_length() -> None:
    spread = Spread(np.array([3.0, 1.0, 2.0]), np.array([1.0, 8.0, 1.0]))
    assert [spread.percentile(p) for p in (50, 80, 85, 95)] == [1.0, 1.0, 2.0, 3.0]


BOX = (0.0, 0.0, 64.0)


def test_truth_of_overlapping_squares_is_their_union() -> None:
    truth = true_outline(TrueDrawing("", "M8 8H40V40H8ZM24 24H56V56H24Z", BOX), 64)
    assert truth.region.area == pytest.approx(2 * 32**2 - 16**2)
    assert truth.nodes == 8  # each square shows four sides, two of them cut short
    assert len(truth.corners.points) == 8
    assert truth.count("line") == 8


def test_truth_goes_by_the_non_zero_rule() -> None:
    same = "M8 8H40V40H8ZM16 16H32V32H16Z"
    other = "M8 8H40V40H8ZM16 16V32H32V16Z"
    assert true_outline(TrueDrawing("", same, BOX), 64).region.area == pytest.approx(1024)
    assert true_outline(TrueDrawing("", other, BOX), 64).region.area == pytest.approx(768)


def test_an_arc_counts_once_and_a_circle_has_no_corner() -> None:
    path = "M12 32A20 20 0 1 1 52 32A20 20 0 1 1 12 32Z"
    truth = true_outline(TrueDrawing("", path, BOX), 64)
    assert truth.nodes == truth.count("arc") == 2
    assert not len(truth.corners.points)
    # fontTools draws arcs as cubics, which are off by 0.03 % of the radius
    assert truth.region.area == pytest.approx(np.pi * 400, rel=1e-3)


def _corners(ring: Floats) -> Corners:
    return Corners(ring, np.abs(turns(ring)))


def test_corners_found_missed_and_false() -> None:
    truth = true_outline(TrueDrawing("", "M8 8H48V48H8Z", BOX), 64)
    exact = square() + 8
    score = score_corners(_corners(exact), truth)
    assert (score.wanted, score.hit, score.found, score.false) == (4, 4, 4, 0)
    near = exact + np.array([[0.6, 0], [0, 0], [0, 0], [0, 0]])
    assert score_corners(_corners(near), truth).errors.max() == pytest.approx(0.6)
    missed = np.delete(exact, 2, axis=0)
    assert score_corners(_corners(missed), truth).hit == 3
    extra = np.insert(exact, 1, [28.0, 0.0], axis=0)
    assert score_corners(_corners(extra), truth).false == 1


def test_a_rounded_corner_wants_none_and_allows_one_only_when_tight() -> None:
    def rounded(r: float) -> TrueDrawing:
        return TrueDrawing("", f"M8 8H{48 - r}A{r} {r} 0 0 1 48 {8 + r}V48H8Z", BOX)

    found = _corners(square() + 8)
    assert score_corners(found, true_outline(rounded(0.5), 64)).false == 0
    wide = score_corners(found, true_outline(rounded(8.0), 64))
    assert (wide.wanted, wide.false) == (3, 1)
