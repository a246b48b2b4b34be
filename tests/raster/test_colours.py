"""Ink told by colour: one, several, each a level of its own."""

import io
import itertools

import numpy as np
import pytest
from PIL import Image

from tests.raster.inks import TRUE, levels, one, refused, rgba, topics
from tracer.errors import UsageError
from tracer.raster.scalar import FloatImage

CREAM, RED, NAVY = (250, 242, 220), (190, 26, 30), (20, 30, 90)


def coloured(*layers: tuple[tuple[int, int, int], FloatImage]) -> Image.Image:
    """Return layers laid over cream paper, blended as a renderer does."""
    picture = np.broadcast_to(np.array(CREAM, float), (200, 240, 3))
    for colour, cover in layers:
        picture = picture * (1 - cover[..., None]) + np.array(colour, float) * cover[..., None]
    return Image.fromarray(np.rint(picture).astype(np.uint8))


def disc(x: float, y: float, radius: float) -> FloatImage:
    """Return the coverage of a disc, 8 x 8 samples a pixel."""
    fine = (np.arange(240 * 8) + 0.5) / 8
    inside = np.hypot(fine[None, :] - x, fine[: 200 * 8, None] - y) < radius
    share = inside.reshape(200, 8, 240, 8).mean(axis=(1, 3))
    return np.asarray(share, dtype=np.float32)


def test_one_colour_on_tinted_paper() -> None:
    coverage = one(coloured((RED, TRUE)))
    assert np.abs(coverage.values - TRUE).max() < 0.02
    said = {d.topic: d for d in coverage.decisions}
    assert "#faf2dc" in said["threshold"].text  # CREAM; greys would say nothing here
    assert (said["ink"].option, said["threshold"].option) == ("--ink COLOUR", "--threshold")


def test_a_light_ink_has_its_edge_half_way_as_a_dark_one_has() -> None:
    both = np.maximum(disc(70, 100, 40), disc(170, 100, 40))
    image = coloured(((20, 30, 90), disc(70, 100, 40)), ((240, 190, 60), disc(170, 100, 40)))
    coverage = one(image)
    assert coverage.values.sum() == pytest.approx(both.sum(), rel=0.01)
    # an edge is off by the coverage lost over its slope, about 1 a pixel
    assert np.abs((coverage.values >= 0.5).sum() - (both >= 0.5).sum()) < 0.05 * 2 * np.pi * 80


@pytest.mark.parametrize(("asked", "which"), [("#be1a1e", 0), ("red", 0), ("navy", 1)])
def test_a_colour_asked_for(asked: str, which: int) -> None:
    covers = disc(70, 100, 40), disc(170, 100, 40)
    coverage = one(coloured((RED, covers[0]), (NAVY, covers[1])), ink=asked)
    assert np.abs(coverage.values - covers[which]).max() < 0.03


def test_one_colour_stays_one_where_it_bleeds_over_the_edge() -> None:
    """Rings 8 px wide in JPEG 60, 4:2:0: taken for several colours, with 148 specks beside them."""
    gold, red = np.array([224.0, 176, 48]), np.array([191.0, 48, 41])
    out = np.hypot(*(np.mgrid[:320, :320] + 0.5 - 160))
    from_middle = np.abs(out / 21 % 1 - 0.5) * 21
    rings = np.clip(4.5 - from_middle, 0, 1) * np.clip(120.5 - out, 0, 1)
    stream = io.BytesIO()
    image = Image.fromarray(np.rint(gold + rings[..., None] * (red - gold)).astype(np.uint8))
    image.save(stream, "JPEG", quality=60, subsampling=2)
    coverage = one(stream.getvalue())
    assert "(one colour)" in topics(coverage)["ink"]
    assert coverage.specks == 0
    assert np.abs(coverage.values - rings).max() < 0.5


def test_two_colours_asked_for_have_no_seam_between_them() -> None:
    """Navy on red: the mixed pixels of their common edge are ink through and through."""
    outer, inner = disc(120, 100, 80), disc(120, 100, 40)
    coverage = one(coloured((RED, outer), (NAVY, inner)), ink="#be1a1e,navy")
    assert np.abs(coverage.values - outer).max() < 0.03


def test_what_is_no_colour_or_not_there() -> None:
    image = coloured((RED, TRUE))
    with pytest.raises(UsageError, match="is no colour"):
        levels(image, ink="reddish")
    assert refused(image, ink="lime") == "E_BLANK"
    assert refused(image, ink="alpha") == "E_BLANK"


@pytest.mark.parametrize("transparent", [False, True])
def test_levels_are_nested_and_share_their_edges(*, transparent: bool) -> None:
    """Three colours, each on the one before; a grey edge must not become a sliver of a third."""
    covers = disc(120, 100, 85), disc(120, 100, 60), disc(110, 95, 25)
    image = coloured(((240, 190, 60), covers[0]), (RED, covers[1]), (NAVY, covers[2]))
    if transparent:
        alpha = np.rint(covers[0] * 255).astype(np.uint8)
        flat = np.array((240, 190, 60))
        inside = np.where(covers[0][..., None] < 1, flat, np.asarray(image))
        image = rgba(inside, alpha)
    found = levels(image, levels=3)
    assert [c.level for c in found] == [1, 2, 3]
    for coverage, cover in zip(found, covers, strict=True):
        assert np.abs(coverage.values - cover).max() < 0.04
    for outer, inner in itertools.pairwise(found):
        assert (inner.values <= outer.values + 1e-6).all()


def test_strips_leave_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    """Colours are told apart strip by strip; an edge near the border of one sees beyond it."""
    image = coloured((RED, disc(120, 100, 80)), (NAVY, disc(130, 95, 40)))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=60)  # rings as far as is looked
    whole = levels(stream.getvalue(), levels=2)
    monkeypatch.setattr("tracer.raster.scalar._STRIP_PIXELS", 5 * 240)
    for one_strip, many in zip(whole, levels(stream.getvalue(), levels=2), strict=True):
        assert np.abs(one_strip.values - many.values).max() < 1e-6  # sums of floats may round


def test_neighbours_that_meet_leave_no_sliver() -> None:
    """Side by side: below the upper level there is no line of the lower one's ground."""
    left = disc(90, 100, 50)
    right = np.clip(disc(150, 100, 50) - left, 0, 1)
    found = levels(coloured(((240, 190, 60), left), (NAVY, right)), levels=2)
    assert np.abs(found[0].values - np.clip(left + right, 0, 1)).max() < 0.06
    assert np.abs(found[1].values - right).max() < 0.06


@pytest.mark.parametrize("sampled", [0, 2], ids=["colour in full", "a quarter of the colour"])
@pytest.mark.parametrize("quality", [60, 75])
def test_an_edge_that_rings_is_no_third_colour(quality: int, sampled: int) -> None:
    """Purple on gold mixes to something like coral, and coral is there, but not at that edge."""
    gold, coral, purple = (224, 176, 48), (232, 128, 106), (122, 79, 160)
    inks = disc(120, 100, 90), disc(150, 130, 30), disc(90, 80, 33)
    image = coloured((gold, inks[0]), (coral, inks[1]), (purple, inks[2]))
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=quality, subsampling=sampled)
    coral_only = one(stream.getvalue(), ink="#e8806a").values >= 0.5
    away = np.hypot(*(np.indices(TRUE.shape) + 0.5 - np.reshape([130, 150], (2, 1, 1)))) > 33
    assert not (coral_only & away).any()


def test_more_levels_than_colours_and_more_than_six() -> None:
    assert refused(coloured((RED, TRUE)), levels=4) == "E_BLANK"
    with pytest.raises(UsageError):
        levels(coloured((RED, TRUE)), levels=7)
