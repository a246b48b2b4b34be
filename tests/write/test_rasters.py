"""The pixel pictures against shapes of known width."""

import io
from dataclasses import replace

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from PIL import Image

from tests.write.results import all_kinds, plate
from tracer.curves.regions import as_region
from tracer.settings import Role
from tracer.write.rasters import artwork_raster, ink_raster, width_map

STRIPED = 8  # index in the palette of what is below least


def bands(width_mm: float, *, role: Role = Role.RAISED, side: int = 600) -> NDArray[np.uint8]:
    """Return the map of two blocks with a strip of one width between them, 30 mm across."""
    strip = shapely.box(10, 7.5 - width_mm / 2, 20, 7.5 + width_mm / 2)
    region = as_region(
        shapely.union_all([shapely.box(0, 0, 10, 15), shapely.box(20, 0, 30, 15), strip])
    )
    data = width_map(plate(role=role), region, (0.0, 0.0, 30.0, 15.0), side)
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(image)


# pewter-silicone, raised: metal 0.5, 0.8, 1.0 mm (tracer/data/processes.toml); the map promises
# two picture elements, here 0.1 mm
@pytest.mark.parametrize(
    ("width_mm", "band"),
    [(0.3, 0), (0.4, 0), (0.52, 1), (0.7, 1), (0.82, 2), (0.9, 2), (1.02, 3), (2, 3)],
)
def test_a_strip_shows_in_the_band_of_its_width(width_mm: float, band: int) -> None:
    middle = bands(width_mm)[150, 290:310]
    assert set(middle.tolist()) <= ({band, STRIPED} if band == 0 else {band})


def test_corners_of_something_thick_are_not_thin() -> None:
    shown = bands(3.0)
    assert set(np.unique(shown[:140, :190]).tolist()) == {3}


def test_in_a_sunk_design_metal_and_mould_change_places() -> None:
    assert bands(0.86, role=Role.SUNK)[150, 300] == 4 + 2  # the ink is mould
    assert bands(0.86, role=Role.SUNK)[20, 300] == 3  # the land is metal


def test_white_ink_on_nothing_is_shown_on_a_dark_ground() -> None:
    result = plate()
    white = replace(result.artwork, colour=np.full_like(result.artwork.colour, 255))
    with Image.open(io.BytesIO(artwork_raster(white, 200).data)) as image:
        picture = np.asarray(image.convert("L"))
    assert picture[2, 2] < 100
    assert picture.max() > 240


def test_colour_under_alpha_nought_is_never_shown() -> None:
    result = plate()
    colour = result.artwork.colour.copy()
    colour[result.artwork.alpha == 0] = (255, 0, 255)
    raster = artwork_raster(replace(result.artwork, colour=colour), 480)
    with Image.open(io.BytesIO(raster.data)) as image:
        corner = np.asarray(image.convert("RGB"))[:20, :20]
    assert corner.min() > 245


@pytest.mark.parametrize(
    "box", [(-50, -50, 2000, 2000), (470, 290, 480, 300), (900, 900, 950, 950)]
)
def test_a_box_beyond_the_artwork_is_cut_to_it(box: tuple[int, int, int, int]) -> None:
    left, top, right, bottom = ink_raster(plate(*all_kinds()), box, 100).box
    assert 0 <= left < right <= 480
    assert 0 <= top < bottom <= 300
