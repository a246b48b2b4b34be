"""Thresholds and colour spaces against scikit-image, which computes both in other ways."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from skimage.color import rgb2lab
from skimage.filters import threshold_otsu

from tracer.raster.colours import lab
from tracer.raster.paper import otsu


@given(arrays(np.int64, 40, elements=st.integers(0, 5_000)).filter(lambda c: (c > 0).sum() > 1))
def test_otsu(counts: np.ndarray) -> None:
    """By how well each place parts the levels: scikit-image rounds to 32 bits, so ties differ."""
    places = np.arange(40.0)
    ours = int(otsu(counts.astype(float), places))
    theirs = int(threshold_otsu(hist=(counts, places)))

    def between(cut: int) -> float:
        low, high = counts[: cut + 1], counts[cut + 1 :]
        means = [
            np.average(p, weights=c)
            for p, c in ((places[: cut + 1], low), (places[cut + 1 :], high))
        ]
        return float(low.sum() * high.sum() * (means[0] - means[1]) ** 2)

    assert between(ours) >= between(theirs) * (1 - 1e-9)


def test_lab() -> None:
    """Both within rounding of the standard's matrix: a tenth of the least difference seen."""
    colours = np.random.default_rng(3).uniform(0, 255, (2_000, 3)).astype(np.float32)
    assert lab(colours) == pytest.approx(rgb2lab(colours / 255.0), abs=0.05)
    assert lab(np.full((1, 3), 255, np.float32)) == pytest.approx(np.array([[100, 0, 0]]), abs=0.05)
