"""The design that tests of ink are drawn with, how it is read, and what every coverage promises."""

import numpy as np
import pytest
from PIL import Image

from tests.raster.encode import anchor, encoded
from tracer.errors import InputError
from tracer.model import Coverage
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.settings import InkOptions

INK = anchor(200, 240)
TRUE = (INK / 255).astype(np.float32)
STEP = 1 / 255 + 1e-6  # a step of the 8 bits that it was stored in


def levels(data: bytes | Image.Image, **options: object) -> tuple[Coverage, ...]:
    if isinstance(data, Image.Image):
        data = encoded(data, "PNG")
    given = InkOptions(**options)  # type: ignore[arg-type] # as given
    found = find_ink(read_artwork(data, "anchor", given), given)
    for coverage in found:
        check(coverage)
    return found


def one(data: bytes | Image.Image, **options: object) -> Coverage:
    (coverage,) = levels(data, **options)
    return coverage


def check(coverage: Coverage) -> None:
    """Hold what every coverage promises."""
    values = coverage.values
    assert values.dtype == np.float32
    assert not values.flags.writeable
    assert np.isfinite(values).all()
    assert values.min() >= 0
    assert values.max() <= 1
    assert (values >= 0.5).any()
    for decision in coverage.decisions:
        assert decision.text
        assert "\n" not in decision.text
        assert bool(decision.code) == decision.warning


def refused(data: bytes | Image.Image, **options: object) -> str:
    with pytest.raises(InputError) as caught:
        levels(data, **options)
    assert caught.value.hint
    return caught.value.code


def codes(coverage: Coverage) -> set[str]:
    return {d.code for d in coverage.decisions if d.code}


def topics(coverage: Coverage) -> dict[str, str]:
    return {d.topic: d.text for d in coverage.decisions}


def rgba(colour: object, alpha: np.ndarray) -> Image.Image:
    samples = np.empty((*alpha.shape, 4), np.uint8)
    samples[..., :3], samples[..., 3] = colour, alpha
    return Image.fromarray(samples)
