"""A picture sheet of the worst results, with the error drawn."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from tests.bench.methods import Outline
from tests.bench.renderings import Values
from tests.rulers import one_sided
from tests.truth import Floats, TrueOutline

TILE = 420
WINDOW_PX = 24


@dataclass(frozen=True)
class Case:
    """One result to be shown."""

    name: str
    values: Values
    truth: TrueOutline
    outline: Outline
    largest: float


def worst_place(case: Case) -> Floats:
    """Return the point at which the two outlines lie farthest apart."""
    best, at = -1.0, np.zeros(2)
    for a, b in ((case.outline.rings, case.truth.rings), (case.truth.rings, case.outline.rings)):
        if not a or not b:
            continue
        for ring in a:
            spread = one_sided([ring], b, step=0.1)
            k = int(spread.distances.argmax())
            if spread.distances[k] > best:
                best = float(spread.distances[k])
                along = np.cumsum(spread.lengths)[k] - spread.lengths[k] / 2
                at = _point_at(ring, float(along))
    return at


def _point_at(ring: Floats, along: float) -> Floats:
    closed = np.vstack([ring, ring[:1]])
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    return np.array(
        [np.interp(along, length, closed[:, 0]), np.interp(along, length, closed[:, 1])]
    )


def write_sheet(cases: Sequence[Case], path: Path) -> None:
    """Write up to twelve results: the whole (small), and the worst place with both outlines.

    Truth is blue and wide, ours orange with its nodes marked, over the pixels of the artwork
    (Okabe and Ito's colours).
    """
    columns = 4
    rows = -(-len(cases) // columns)
    sheet = Image.new("RGB", (columns * TILE, max(1, rows) * (TILE + 24)), "white")
    draw = ImageDraw.Draw(sheet)
    for number, case in enumerate(cases):
        x, y = number % columns * TILE, number // columns * (TILE + 24)
        draw.text((x + 4, y + 6), f"{case.name}  {case.largest:.2f} px", fill="black")
        sheet.paste(_tile(case), (x, y + 24))
    sheet.save(path)


def _tile(case: Case) -> Image.Image:
    zoom = (TILE - 8) / WINDOW_PX
    origin = np.floor(worst_place(case) - WINDOW_PX / 2)
    rows, columns = case.values.shape
    grid = np.zeros((WINDOW_PX, WINDOW_PX), dtype=np.float32)
    for r in range(WINDOW_PX):
        for c in range(WINDOW_PX):
            i, j = int(origin[1]) + r, int(origin[0]) + c
            if 0 <= i < rows and 0 <= j < columns:
                grid[r, c] = case.values[i, j]
    grey = Image.fromarray((255 - grid * 110).astype(np.uint8)).convert("RGB")
    tile = grey.resize((TILE - 8, TILE - 8), Image.Resampling.NEAREST)
    draw = ImageDraw.Draw(tile)

    def line(ring: Floats, colour: str, width: int) -> None:
        points = (np.vstack([ring, ring[:1]]) - origin) * zoom
        draw.line([tuple(p) for p in points], fill=colour, width=width)

    for ring in case.truth.rings:
        line(ring, "#0072B2", 4)
    for ring in case.outline.rings:
        line(ring, "#E69F00", 2)
    marks = (
        case.outline.corners.points if case.outline.corners else np.concatenate(case.outline.rings)
    )
    for point in (marks - origin) * zoom:
        if np.all((point > 0) & (point < TILE)):
            draw.ellipse([*(point - 3), *(point + 3)], outline="#D55E00", width=2)
    small = Image.fromarray((255 - case.values * 255).astype(np.uint8)).resize((96, 96))
    tile.paste(small, (TILE - 8 - 96, TILE - 8 - 96))
    return tile
