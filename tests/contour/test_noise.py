"""Each kind of edge is told from the others, on drawn icons and on tiny and mixed artwork."""

import io
from dataclasses import replace

import numpy as np
import pytest
import shapely
from PIL import Image
from scipy.ndimage import gaussian_filter  # type: ignore[import-untyped] # carries no types
from scipy.signal import savgol_filter  # type: ignore[import-untyped] # carries no types

from tests.bench.renderings import RENDERINGS
from tests.contour.shapes import clipped, disc, eight_bit
from tests.drawings import mixed
from tracer.contour.area import resampled
from tracer.contour.extract import extract_rings
from tracer.contour.noise import WAVES_PX, at_size, edge_noise, noise_with_waves, waves_of
from tracer.model import Coverage, Edge, EdgeNoise, Points


def noise_of(coverage: Coverage) -> EdgeNoise:
    return edge_noise(coverage, extract_rings(coverage))


@pytest.mark.parametrize(
    ("rendering", "pixels", "kind", "share"),
    [
        ("alpha", 128, Edge.SHARP, 1.0),
        ("alpha", 256, Edge.SHARP, 1.0),
        ("white", 256, Edge.SHARP, 1.0),
        ("bit", 256, Edge.STAIRS, 1.0),
        ("blur", 256, Edge.SOFT, 1.0),
        # a drawing of level sides on blocks of 8 px comes out of JPEG without a trace of it
        ("jpeg85", 256, Edge.RINGING, 0.8),
        ("jpeg60", 256, Edge.RINGING, 0.9),
        ("jpeg60", 512, Edge.RINGING, 0.9),
    ],
)
def test_drawn_icons_are_told_apart(rendering: str, pixels: int, kind: Edge, share: float) -> None:
    kinds = [noise_of(Coverage(RENDERINGS[rendering](d, pixels))).kind for d in mixed(18)]
    assert kinds.count(kind) >= share * len(kinds)


@pytest.mark.parametrize("beside", [0.4, 0.5, 0.6])
def test_edges_at_45_degrees_are_no_staircase(beside: float) -> None:
    """There they leave an eighth in each pixel: a share of grey, and the same one all along."""
    x = 40 + beside
    corners = [(x - 25, 40), (x, 15), (x + 25, 40), (x, 65)]
    assert noise_of(clipped(shapely.Polygon(corners), 80)).kind is Edge.SHARP


@pytest.mark.parametrize("quality", [60, 85])
def test_a_bitmap_kept_as_jpeg_is_a_staircase(quality: int) -> None:
    for drawing in mixed(12):
        bitmap = Image.fromarray(np.uint8(255 * RENDERINGS["bit"](drawing, 256)))
        with io.BytesIO() as file:
            bitmap.save(file, "JPEG", quality=quality)
            with Image.open(file) as image:
                kept = np.asarray(image, np.float32) / np.float32(255)
        assert noise_of(Coverage(kept)).kind is Edge.STAIRS


def test_a_shadow_on_one_side_does_not_ring() -> None:
    """A faint shadow under a sharp disc leaves the ink's own flats full."""
    sharp = disc(40.0, 64.2, 63.7, size=128).values.astype(float)
    shadow = 0.1 * gaussian_filter(np.roll(sharp, (4, 4), axis=(0, 1)), 4.0)
    assert noise_of(eight_bit(np.maximum(sharp, shadow))).kind is Edge.SHARP


@pytest.mark.parametrize("sigma", [0.7, 1.2, 2.0, 3.0])
@pytest.mark.parametrize("radius", [10.0, 20.0])
def test_blur_is_measured(sigma: float, radius: float) -> None:
    soft = gaussian_filter(disc(radius, 32.2, 31.7).values.astype(float), sigma)
    noise = noise_of(eight_bit(soft))
    assert noise.kind is Edge.SOFT
    # the quartiles are read between pixels, whose effect is only known on average
    assert noise.blur_px == pytest.approx(sigma, rel=0.08)


@pytest.mark.parametrize(
    ("kind", "sigma", "extent", "times"),
    [
        (Edge.SHARP, 0.03, 4000.0, 1.0),  # exact areas leave nothing that could be followed
        (Edge.SHARP, 0.072, 1000.0, 1.0),
        (Edge.SHARP, 0.072, 4096.0, 2.0),
        (Edge.RINGING, 0.1, 2304.0, 1.5),
        (Edge.STAIRS, 0.289, 500.0, 1.0),
        (Edge.STAIRS, 0.289, 2048.0, 2.0),
    ],
)
def test_the_tolerance_grows_as_the_square_root_of_a_large_drawing(
    kind: Edge, sigma: float, extent: float, times: float
) -> None:
    noise = EdgeNoise(kind, sigma, 0.0, 0.3)
    ring = np.array([[0.0, 0.0], [extent, 0.0], [extent, extent / 3]])
    dot = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 3.0]])
    assert at_size(noise, (dot, ring + 7)) == replace(noise, tolerance_px=0.3 * times)
    wide = at_size(noise, (2 * dot, 2 * ring), 2.0)  # enlarged: in pixels twice as large
    assert wide.tolerance_px == pytest.approx(0.3 * times)


def test_a_sharp_disc_of_exact_area_is_known_finely() -> None:
    noise = noise_of(disc(20.0, 32.2, 31.7))
    assert (noise.kind, noise.blur_px) == (Edge.SHARP, 0.0)
    assert noise.tolerance_px == pytest.approx(0.1)


def test_coverage_counted_on_a_grid_is_known_less_well() -> None:
    """4 x 4 samples a pixel round an upright edge to quarters: spread 1/4 / sqrt(12)."""
    at = (np.arange(64 * 4) + 0.5) / 4
    mask = (at[None] - 32.2) ** 2 + (at[:, None] - 31.7) ** 2 <= 20**2
    noise = noise_of(eight_bit(mask.reshape(64, 4, 64, 4).mean(axis=(1, 3))))
    assert noise.sigma_px == pytest.approx(0.25 / np.sqrt(12))
    assert 0.2 < noise.tolerance_px < 0.25


@pytest.mark.parametrize(("counted", "sigma"), [(True, 0.25 / np.sqrt(12)), (False, 0.03)])
def test_the_grid_shows_in_what_two_colours_were_mixed_by(counted: bool, sigma: float) -> None:
    """Colours are rounded once more, so that the shares lie beside the steps of the grid."""
    at = (np.arange(64 * 4) + 0.5) / 4
    mask = (at[None] - 32.2) ** 2 + (at[:, None] - 31.7) ** 2 <= 20**2
    exact = disc(20.0, 32.2, 31.7).values
    share = mask.reshape(64, 4, 64, 4).mean(axis=(1, 3)) if counted else exact
    brown, rust = np.array([120.0, 80, 50]), np.array([190.0, 50, 30])
    mixed_8_bit = np.rint(brown + (rust - brown) * share[..., None])
    along = (mixed_8_bit - brown) @ (rust - brown) / np.sum((rust - brown) ** 2)
    assert noise_of(eight_bit(np.clip(along, 0, 1))).sigma_px == pytest.approx(sigma)


def test_sharper_artwork_gets_the_tighter_tolerance() -> None:
    drawing = next(iter(mixed(6)))
    order = ["alpha", "quarters", "jpeg60", "bit"]
    found = [noise_of(Coverage(RENDERINGS[r](drawing, 256))).tolerance_px for r in order]
    assert found == sorted(found)
    assert found[-1] == pytest.approx(0.5)


def test_level_sides_between_pixels_with_one_fillet_are_no_staircase() -> None:
    values = np.zeros((40, 40), dtype=np.float32)
    values[5:35, 5:35] = 1
    values[4, 5:35] = values[35, 5:35] = 1 / 3
    values[5:35, 4] = values[5:35, 35] = 1 / 3
    assert noise_of(Coverage(values)).kind is Edge.SHARP


def test_1_bit_artwork_with_a_few_grey_pixels_stays_1_bit() -> None:
    values = (disc(25.0, 32.2, 31.7).values >= 0.5).astype(np.float32)
    values[31, 6:9] = 0.4
    assert noise_of(Coverage(values)).kind is Edge.STAIRS


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_tiny_artwork_has_a_verdict(size: int) -> None:
    values = np.zeros((size, size), dtype=np.float32)
    values[size // 2, size // 2] = 0.8
    noise = noise_of(Coverage(values))
    assert noise.kind in Edge
    assert 0 < noise.tolerance_px <= 0.5


def test_artwork_at_the_border_has_a_verdict() -> None:
    """Rings run outside the page there, where no pixel can be read."""
    values = disc(40.0, 32.0, 32.0).values
    assert values[-1, 32] == values[32, -1] == 1
    assert noise_of(Coverage(values)).kind is Edge.SHARP


def test_empty_artwork_has_a_verdict() -> None:
    assert noise_of(Coverage(np.zeros((3, 3), dtype=np.float32))).kind is Edge.SHARP


def circle(radius: float, wave_px: float = 0.0) -> Points:
    """Return a circle of points 0.5 px apart, with waves 6 px long on it."""
    count = round(2 * np.pi * radius / 0.5)
    turn = 2 * np.pi * np.arange(count) / count
    out = radius + wave_px * np.sin(turn * round(2 * np.pi * radius / 6))
    return np.column_stack([out * np.cos(turn), out * np.sin(turn)]) + 50


def test_waves_are_what_a_filter_of_local_cubics_takes_away() -> None:
    """Against `savgol_filter` of SciPy; radially, as across and radially are one on a circle."""
    ring = circle(40.0, wave_px=0.1)
    points, _ = resampled(ring, 1.0)
    calm = savgol_filter(points, WAVES_PX, 3, axis=0, mode="wrap")
    out = np.hypot(*(points - 50).T) - np.hypot(*(calm - 50).T)
    assert np.abs(waves_of(ring) - np.abs(out)).max() < 0.001


@pytest.mark.parametrize("kind", [Edge.RINGING, Edge.SOFT])
def test_wavy_rings_tell_of_noise_that_the_flats_do_not(kind: Edge) -> None:
    noise = EdgeNoise(kind, 0.08, 0.0, 0.215)
    coverage = Coverage(np.zeros((1, 1), np.float32), by_colour=True)
    ring = circle(40.0, wave_px=0.1)
    wavy = noise_with_waves(noise, (ring,), coverage)
    assert wavy.sigma_px > 0.2
    assert wavy.tolerance_px > 2 * noise.tolerance_px
    assert noise_with_waves(noise, (circle(40.0),), coverage) == noise
    assert noise_with_waves(noise, (ring,), replace(coverage, by_colour=False)) == noise


def test_waves_are_measured_in_true_pixels() -> None:
    noise = EdgeNoise(Edge.RINGING, 0.08, 0.0, 0.215)
    coverage = Coverage(np.zeros((1, 1), np.float32), by_colour=True)
    ring = circle(40.0, wave_px=0.08)
    small = noise_with_waves(noise, (ring,), coverage)
    large = noise_with_waves(noise, (ring * 4,), replace(coverage, pixel_size=4.0))
    assert large.sigma_px == pytest.approx(4 * small.sigma_px)


def test_waves_say_nothing_of_edges_without_compression_or_of_small_rings() -> None:
    coverage = Coverage(np.zeros((1, 1), np.float32), by_colour=True)
    for kind in (Edge.SHARP, Edge.STAIRS):
        noise = EdgeNoise(kind, 0.08, 0.0, 0.215)
        assert noise_with_waves(noise, (circle(40.0, wave_px=0.3),), coverage) == noise
    noise = EdgeNoise(Edge.RINGING, 0.08, 0.0, 0.215)
    assert noise_with_waves(noise, (circle(7.0, wave_px=0.3),), coverage) == noise
    assert noise_with_waves(noise, (), coverage) == noise
