"""The reader against the public PNG test set, by an independent decoder (pypng)."""

import fnmatch
import time
import zipfile
from pathlib import Path

import numpy as np
import png as pypng

from tests.raster.encode import anchor, encoded, on_white
from tests.raster.test_read import read, refused
from tracer.model import Artwork

PNGSUITE = Path(__file__).parents[2] / "fixtures" / "pngsuite.zip"


def pngs(pattern: str) -> dict[str, bytes]:
    """Return files of the public PNG test set by name."""
    with zipfile.ZipFile(PNGSUITE) as archive:
        return {
            name: archive.read(name) for name in sorted(fnmatch.filter(archive.namelist(), pattern))
        }


def as_shares(artwork: Artwork) -> tuple[np.ndarray, np.ndarray]:
    colour = artwork.colour / np.iinfo(artwork.colour.dtype).max
    if colour.ndim == 2:
        colour = np.repeat(colour[..., None], 3, axis=2)
    if artwork.alpha is None:
        return colour, np.ones(colour.shape[:2])
    return colour, artwork.alpha / np.iinfo(artwork.alpha.dtype).max


def by_pypng(data: bytes) -> tuple[np.ndarray, np.ndarray]:
    """Return colour (H, W, 3) and alpha in 0..1 by pypng, a decoder in pure Python."""
    width, height, rows, info = pypng.Reader(bytes=data).asDirect()
    samples = np.array([list(row) for row in rows], dtype=np.float64)
    samples = samples.reshape(height, width, info["planes"]) / (2 ** info["bitdepth"] - 1)
    alpha = samples[..., -1] if info["alpha"] else np.ones((height, width))
    colour = samples[..., :-1] if info["alpha"] else samples
    return (np.repeat(colour, 3, axis=2) if colour.shape[2] == 1 else colour), alpha


def test_every_valid_file_of_the_png_suite_is_read_exactly() -> None:
    """PngSuite (W. van Schaik). Alpha exact; colour within a step of 8 bits, where it is seen."""
    seen = 0
    for name, data in pngs("[!x]*.png").items():
        colour, alpha = as_shares(read(data, name))
        true_colour, true_alpha = by_pypng(data)
        assert np.array_equal(alpha, true_alpha), name
        seen_error = np.abs(colour - true_colour) * (true_alpha > 0)[..., None]
        assert seen_error.max() <= 1 / 255 + 1e-12, name
        seen += 1
    assert seen == 161


def test_every_corrupt_file_of_the_png_suite_is_refused_within_a_second() -> None:
    files = pngs("x*.png")
    assert len(files) == 14
    for name, data in files.items():
        start = time.process_time()
        assert refused(data, name) in {"E_DAMAGED", "E_FORMAT"}, name
        assert time.process_time() - start < 1


def test_the_comparison_notices_a_wrong_pixel() -> None:
    data = encoded(on_white(anchor()), "PNG")
    colour, _ = as_shares(read(data))
    true, _ = by_pypng(data)
    assert np.array_equal(colour, true)
    colour[5, 7, 0] -= 2 / 255
    assert np.abs(colour - true).max() > 1 / 255 + 1e-12
