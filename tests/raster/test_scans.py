"""Photographs and scans that scikit-image carries in its wheel (BSD-3-Clause unless noted).

page.png: a photograph of a printed page of its own documentation. text.png: handwriting on ruled
paper (Wikipedia, public domain). coins.png: Greek coins (Brooklyn Museum, no known copyright).
horse.png: a black silhouette (public domain). camera.png (CC0), coffee.png (CC0), chelsea.png
(CC0), rocket.jpg (public domain), astronaut.png (NASA, public domain), grass.png and gravel.png
(CC0): photographs that no line can be traced from.
"""

from pathlib import Path

import numpy as np
import pytest
import skimage.data
from skimage.measure import label, regionprops

from tests.raster.inks import check, codes
from tracer.errors import InputError
from tracer.model import Coverage
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.settings import InkOptions

FOLDER = Path(skimage.data.__file__).parent


def ink_of(name: str, **options: object) -> Coverage:
    given = InkOptions(**options)  # type: ignore[arg-type] # as given
    (coverage,) = find_ink(read_artwork((FOLDER / name).read_bytes(), name, given), given)
    check(coverage)
    return coverage


def pieces(coverage: Coverage) -> tuple[int, np.ndarray]:
    regions = regionprops(label(coverage.values >= 0.5, connectivity=1))
    return len(regions), np.array([r.centroid for r in regions])


def test_a_page_with_light_from_one_side() -> None:
    """Every letter of the page is there, from the bright side to the dark one.

    Counted on the photograph: 24 letters in the heading (the dots of both i apart, "Re", "io" of
    "Region" and so on do not touch): 21 letters, two dots and a hyphen. In the five lines below,
    170 to 240 letters, some of which touch.
    """
    coverage = ink_of("page.png")
    assert coverage.specks < 100
    _, places = pieces(coverage)
    heading = places[places[:, 0] < 34]
    assert 20 <= len(heading) <= 28
    body = places[(places[:, 0] > 45) & (places[:, 0] < 140)]
    assert 170 <= len(body) <= 300
    assert {int(x // 96) for x in body[:, 1]} == {0, 1, 2, 3}
    assert 0.05 < float((coverage.values >= 0.5).mean()) < 0.2


def test_handwriting_on_ruled_paper() -> None:
    coverage = ink_of("text.png")
    areas = np.array([r.area for r in regionprops(label(coverage.values >= 0.5))])
    assert (
        areas[areas >= 40].sum() > 0.95 * areas.sum()
    )  # a stroke is 4 px wide and 10 or more long
    assert coverage.specks > 10  # the rough paper, smoothed before they are counted


def test_coins_on_a_dark_cloth_are_the_ink() -> None:
    """24 coins; each must hold ink over most of its face."""
    coverage = ink_of("coins.png")
    assert "W_INVERTED" in codes(coverage)
    large = [r for r in regionprops(label(coverage.values >= 0.5)) if r.area > 400]
    assert len(large) == 24


def test_a_silhouette_whose_alpha_says_nothing() -> None:
    """The file is opaque but for a dozen pixels; the horse is what is black."""
    coverage = ink_of("horse.png")
    assert "W_ALPHA" in codes(coverage)
    inside, outside = coverage.values[160, 200], coverage.values[5, 5]
    assert (inside, outside) == (1, 0)


@pytest.mark.parametrize(
    "name",
    ["camera.png", "coffee.png", "chelsea.png", "rocket.jpg", "astronaut.png", "grass.png",
     "gravel.png"],
)  # fmt: skip
def test_photographs_are_named_and_can_be_insisted_on(name: str) -> None:
    with pytest.raises(InputError) as caught:
        ink_of(name)
    if caught.value.code == "E_NOTART":
        assert "--ink dark" in caught.value.hint
    assert caught.value.code in {"E_NOTART", "E_TOOCOMPLEX"}
    assert "line art" in caught.value.hint
