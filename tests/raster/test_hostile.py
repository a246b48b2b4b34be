"""Anything at all in: a `TracerError` or a valid coverage out, in bounded time."""

import io
import random
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray
from PIL import Image

from tests.raster.encode import ten_encodings
from tests.raster.inks import check
from tracer.errors import TracerError
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.settings import InkOptions

SEEDS = tuple(ten_encodings().values())
STARTS = (
    b"", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0*", b"II+\0", b"GIF89a", b"BM",
    b"RIFF\x40\0\0\0WEBPVP8L", b"<svg ", b"%PDF-", b"8BPS", b"\0\0\1\0",
)  # fmt: skip
OPTIONS = st.builds(
    InkOptions,
    ink=st.sampled_from(["auto", "dark", "light", "alpha", "red", "#102030,white"]),
    threshold=st.none() | st.floats(0.02, 0.98),
    levels=st.sampled_from([0, 0, 0, 2, 3]),
    straighten=st.booleans(),
    split=st.booleans(),
    max_pixels=st.just(1_000_000),
)


def survives(data: bytes, options: InkOptions) -> None:
    start = time.process_time()
    refusal = None
    try:
        artwork = read_artwork(data, "hostile", options)
        for coverage in find_ink(artwork, options):
            check(coverage)
            assert coverage.values.shape == (artwork.rows, artwork.columns)
    except TracerError as error:
        refusal = error
    if refusal is not None:
        assert refusal.code != "E_INTERNAL"
        assert refusal.hint
        assert "\n" not in str(refusal)
    assert time.process_time() - start < 2


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Return a file with up to eight hurts: flips, cuts, repeats, large numbers."""
    hurt = bytearray(data)
    for _ in range(rng.randint(1, 8)):
        at, length = rng.randrange(len(hurt)), rng.choice([1, 1, 2, 4, 30])
        match rng.randrange(5):
            case 0:
                hurt[at] ^= 1 << rng.randrange(8)
            case 1:
                del hurt[at : at + length]
            case 2:
                hurt[at:at] = hurt[at : at + length]
            case 3:
                hurt[at : at + length] = rng.choice([b"\xff", b"\0", b"\x7f"]) * length
            case _:
                hurt[at : at + length] = rng.randbytes(length)
        if not hurt:
            return b""
    return bytes(hurt)


@given(st.sampled_from(STARTS), st.binary(max_size=200))
def test_random_bytes(start: bytes, rest: bytes) -> None:
    survives(start + rest, InkOptions(max_pixels=1_000_000))


@given(st.sampled_from(SEEDS), st.integers(0, 2**32))
def test_hurt_files(seed: bytes, number: int) -> None:
    rng = random.Random(number)
    for _ in range(10):
        survives(mutated(seed, rng), InkOptions(max_pixels=1_000_000))


@given(
    hnp.arrays(
        np.uint8,
        st.tuples(st.integers(1, 24), st.integers(1, 24), st.sampled_from([1, 2, 3, 4])),
        elements=st.sampled_from([0, 1, 90, 128, 254, 255]),
    ),
    OPTIONS,
)
@example(np.zeros((1, 1, 1), np.uint8), InkOptions(straighten=True))
@example(np.full((2, 9, 3), 128, np.uint8), InkOptions(levels=2))
def test_random_pictures(samples: NDArray[np.uint8], options: InkOptions) -> None:
    stream = io.BytesIO()
    Image.fromarray(samples[..., 0] if samples.shape[2] == 1 else samples).save(stream, "PNG")
    survives(stream.getvalue(), options)


@given(st.integers(0, 2**32), OPTIONS)
def test_random_drawings(number: int, options: InkOptions) -> None:
    """Rectangles and discs in few colours, so that most get as far as a coverage."""
    rng = np.random.default_rng(number)
    y, x = np.mgrid[: rng.integers(20, 90), : rng.integers(20, 90)]
    picture = np.full((*y.shape, 3), rng.choice([0, 255, 200]), np.uint8)
    for _ in range(rng.integers(1, 6)):
        cx, cy, size = rng.uniform(0, 90), rng.uniform(0, 90), rng.uniform(3, 40)
        near = np.hypot(x - cx, y - cy) < size if rng.random() < 0.5 else (
            (np.abs(x - cx) < size) & (np.abs(y - cy) < size / 2)
        )  # fmt: skip
        picture[near] = rng.choice([0, 40, 128, 190, 255], 3)
    stream = io.BytesIO()
    Image.fromarray(picture).save(stream, str(rng.choice(["PNG", "JPEG", "GIF"])))
    survives(stream.getvalue(), options)


def test_the_check_of_a_coverage_notices_errors() -> None:
    """The ruler: a value out of range is noticed."""
    data = ten_encodings()["png"]
    (coverage,) = find_ink(read_artwork(data, "a", InkOptions()), InkOptions())
    check(coverage)
    wrong = coverage.values.copy()
    wrong[0, 0] = 1.5
    wrong.setflags(write=False)
    with pytest.raises(AssertionError):
        check(replace(coverage, values=wrong))
