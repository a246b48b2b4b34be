"""Drawn icons and glyphs: few segments, in the right place, whatever the resolution.

The outlines are those of `tests/drawings.py`; the truth is sampled, so that nothing but the fit is
measured. Issue 3 asks for no more nodes than the designer's, median over the files.
"""

from functools import cache

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon

from tests.bench.methods import fitted_drawing
from tests.drawings import TrueDrawing, mixed
from tests.rulers import two_sided
from tests.truth import TrueOutline, true_outline
from tracer.curves.path import Drawing
from tracer.fit.drawing import fit_drawing

COUNT = 24
NOISE_PX = 0.015
GOLDEN = 605
"""Segments of the stored drawings at 512 px; their designers used 707."""


@cache
def truth_of(drawing: TrueDrawing, pixels: int) -> TrueOutline:
    return true_outline(drawing, pixels)


def as_traced(truth: TrueOutline) -> MultiPolygon:
    """Return the true region with a vertex each 0.7 px, none meant to hit a corner, and noise."""
    rng = np.random.default_rng(3)

    def ring(line: shapely.LinearRing) -> NDArray[np.float64]:
        count = max(8, round(line.length / 0.7))
        at = (np.arange(count) + rng.random()) * line.length / count
        xy = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
        return np.asarray(xy + NOISE_PX * rng.normal(size=xy.shape), np.float64)

    return MultiPolygon(
        [
            shapely.Polygon(ring(p.exterior), [ring(r) for r in p.interiors])
            for p in truth.region.geoms
        ]
    )


@cache
def fitted(drawing: TrueDrawing, pixels: int) -> Drawing:
    return fit_drawing(as_traced(truth_of(drawing, pixels)), 0.1, pixel_mm=1.0).drawing


def nodes(drawing: TrueDrawing, pixels: int) -> int:
    return sum(1 for _ in fitted(drawing, pixels).segments)


def off(drawing: TrueDrawing, pixels: int) -> tuple[float, float]:
    """Return p95 and the largest two-sided distance, px."""
    lines = [path.points(0.001) for path in fitted(drawing, pixels).paths]
    rings = [np.column_stack([z.real, z.imag]) for z in lines]
    spread = two_sided(rings, truth_of(drawing, pixels).rings)
    return spread.percentile(95), spread.largest


@pytest.mark.slow
def test_no_more_nodes_than_the_designer_had() -> None:
    shares = [nodes(d, 512) / truth_of(d, 512).nodes for d in mixed(COUNT)]
    assert np.median(shares) <= 1.0
    assert max(shares) < 2.0


def test_the_number_of_nodes_stays() -> None:
    """A golden count: fewer is welcome and to be entered here, more is a regression."""
    total = sum(nodes(d, 512) for d in mixed(COUNT))
    assert GOLDEN * 0.97 <= total <= GOLDEN * 1.03


@pytest.mark.slow
def test_nodes_do_not_grow_with_resolution() -> None:
    """Twice the pixels hold the same curves twice as exactly, so a few more may be needed."""
    few = list(mixed(12))
    assert sum(nodes(d, 1024) for d in few) <= 1.15 * sum(nodes(d, 512) for d in few)
    assert np.median([nodes(d, 1024) / truth_of(d, 1024).nodes for d in few]) <= 1.0


@pytest.mark.slow
@pytest.mark.parametrize(("pixels", "in_one_bit"), [(4096, False), (2048, True)])
def test_what_pixels_leave_of_a_large_drawing_makes_no_nodes(
    pixels: int, *, in_one_bit: bool
) -> None:
    """Four drawings of 132 nodes came back as 236 at 4096 px and as 199 in 1 bit.

    The renderer puts edges on quarters of a pixel. What runs it leaves along sides that turn slowly
    takes a node here and there (157, 131 in 1 bit); every second one would be too many.
    """
    few = [d for d in mixed(12) if d.name.startswith(("mdi", "roboto"))]
    ours = true = 0
    for drawing in few:
        alpha = drawing.alpha(pixels)
        values = np.round(alpha / 255) if in_one_bit else alpha / 255
        ours += fitted_drawing(values.astype(np.float32)).nodes
        true += true_outline(drawing, pixels).nodes
    assert ours <= 1.25 * true


@pytest.mark.parametrize("pixels", [256, 512])
def test_curves_lie_where_they_were_drawn(pixels: int) -> None:
    """The figures of issue 3 for anti-aliased artwork."""
    p95, largest = np.transpose([off(d, pixels) for d in mixed(12)])
    assert np.median(p95) <= 0.05
    assert np.median(largest) <= 0.15


@pytest.mark.parametrize("fall", range(9, 26, 2))
def test_a_slanted_side_of_a_bitmap_is_one_line(fall: int) -> None:
    """Corners (20.3, 20.3), (100.3, 20.3 + fall), ... in 1 bit: long steps became sides."""
    middle = np.arange(150) + 0.5
    x, y = np.meshgrid(middle, middle)
    top = 20.3 + fall * (x - 20.3) / 80
    right = 100.3 + fall * (y - 20.3 - fall) / (100 - fall)
    ink = (x > 20.3) & (x < right) & (y > top) & (y < 120.3)
    assert fitted_drawing(ink.astype(np.float32)).nodes == 4
