"""The demo artworks: drawn again they are the same, and they show what they are there for."""

import io

import numpy as np
import pytest
from PIL import Image

from fixtures import kit, make
from tracer.demo import DEMO, demo_artwork


@pytest.mark.parametrize("name", list(make.ARTWORKS))
def test_drawn_again_it_is_the_same(name: str) -> None:
    with Image.open(io.BytesIO(demo_artwork(name))) as image:
        assert image.mode == "LA"
        stored = np.asarray(image)
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
    drawn = make.pixels(name)
    assert (stored[..., 0] == make.INK).all()
    # a vertex may round to the other side of a sample where the library of geometry is another
    difference = np.abs(stored[..., 1].astype(int) - drawn)
    assert difference.max() <= 8
    assert (difference > 0).mean() < 1e-4


@pytest.mark.parametrize("name", list(make.ARTWORKS))
def test_small_with_a_clear_border_and_soft_edges(name: str) -> None:
    data = demo_artwork(name)
    assert len(data) < 60_000
    with Image.open(io.BytesIO(data)) as image:
        alpha = np.asarray(image)[..., 1]
    border = np.concatenate([alpha[0], alpha[-1], alpha[:, 0], alpha[:, -1]])
    assert border.max() == 0
    assert 800 <= max(alpha.shape) <= 1300
    assert len(np.unique(alpha)) > 40
    assert 0.05 < alpha.mean() / 255 < 0.5


def test_the_demo_is_the_set() -> None:
    assert {name for name, *_ in DEMO} == set(make.ARTWORKS)
    assert len(DEMO) >= 6


def test_coverage_against_closed_forms() -> None:
    # a disc: pi r^2, less 1 - sin(t)/t = 0.0002 for its 192 sides; a bar that ends inside pixels:
    # width times height
    disc = kit.coverage(kit.disc(50.3, 49.6, 30), 100, 100)
    assert disc.sum() / 255 == pytest.approx(np.pi * 900, rel=0.0005)
    bar = kit.coverage(kit.line(7.5, (20.25, 50.5), (80.25, 50.5), cap="square"), 100, 100)
    assert bar.sum() / 255 == pytest.approx(7.5 * 67.5, rel=0.0005)


def test_a_brush_is_as_wide_as_it_says() -> None:
    track = kit.brush((10, 50, 8), (50, 50, 8), (90, 50, 8))
    _, top, _, bottom = track.bounds
    assert bottom - top == pytest.approx(8, abs=1e-3)


def test_a_spline_goes_through_its_points() -> None:
    points = [(0.0, 0.0), (10.0, 4.0), (17.0, -3.0), (30.0, 8.0)]
    curve = kit.spline(points)
    for point in points:
        assert np.linalg.norm(curve - point, axis=1).min() < 1e-9
