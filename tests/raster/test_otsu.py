"""Thresholds against scikit-image, which computes them in another way."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from skimage.filters import threshold_otsu

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
