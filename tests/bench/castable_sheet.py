"""A picture sheet of the worst runs of the sweep."""

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np
import resvg_py
import shapely

from tracer.model import Region, Result, Width
from tracer.write.svg import number, shape_data

TILE = 420
COLUMNS = 4
INK, ADDED, TAKEN, MARK = "#bbbbbb", "#0072b2", "#d55e00", "#cc79a7"  # Okabe and Ito


class Judged(Protocol):
    """What the sheet needs of a run."""

    @property
    def name(self) -> str: ...
    @property
    def result(self) -> Result: ...
    @property
    def hidden(self) -> tuple[tuple[str, Width], ...]: ...


def write_sheet(runs: Sequence[Judged], path: Path) -> None:
    """Draw each run: ink grey, added blue, taken orange, written outline black, hidden ringed."""
    rows = -(-len(runs) // COLUMNS)
    tiles = [
        f'<g transform="translate({k % COLUMNS * TILE} {k // COLUMNS * TILE})">{_tile(run)}</g>'
        for k, run in enumerate(runs)
    ]
    size = f'width="{COLUMNS * TILE}" height="{rows * TILE}"'
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>'
        f'<rect {size} fill="white"/>{"".join(tiles)}</svg>'
    )
    path.write_bytes(bytes(resvg_py.svg_to_bytes(svg_string=svg, dpi=96)))


def _tile(run: Judged) -> str:
    result = run.result
    left, bottom, right, top = shapely.union(result.drawn, result.mended.region).bounds
    scale = (TILE - 50) / max(right - left, top - bottom)

    def data(region: shapely.Geometry) -> str:
        rings = shapely.get_rings(shapely.get_parts(region))
        lines = [(shapely.get_coordinates(r) - [left, top]) * [scale, -scale] + 25 for r in rings]
        return " ".join(
            "M" + " ".join(f"{number(x, 2)} {number(y, 2)}" for x, y in line) + "Z"
            for line in lines
        )

    def polygons(region: shapely.Geometry) -> Region:
        parts = shapely.get_parts(region)
        return Region([p for p in parts if p.geom_type == "Polygon"])

    drawing = result.fitted.drawing.mapped(scale, -scale * complex(left, top)).mirrored()
    drawing = drawing.mapped(1, 25 + 25j)
    outline = " ".join(shape_data(shape) for shape in drawing.shapes)
    added = polygons(result.mended.region.difference(result.drawn))
    taken = polygons(result.drawn.difference(result.mended.region))
    marks = "".join(
        f'<circle cx="{(w.at[0] - left) * scale + 25:.1f}" cy="{(top - w.at[1]) * scale + 25:.1f}" '
        f'r="7" fill="none" stroke="{MARK}" stroke-width="2"/>'
        for _, w in run.hidden
        if np.isfinite(w.at).all()
    )
    return (
        f'<path d="{data(result.drawn)}" fill="{INK}" fill-rule="evenodd"/>'
        f'<path d="{data(added)}" fill="{ADDED}" fill-rule="evenodd"/>'
        f'<path d="{data(taken)}" fill="{TAKEN}" fill-rule="evenodd"/>'
        f'<path d="{outline}" fill="none" stroke="black" stroke-width="0.7"/>{marks}'
        f'<text x="8" y="16" font-size="12" font-family="sans-serif">{run.name}</text>'
    )
