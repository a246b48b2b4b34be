"""Regions with known curves, sampled as a tracer would give them, in px."""

import math
from collections.abc import Sequence

import numpy as np
import shapely

from tracer.curves.path import Path
from tracer.curves.segments import Arc, ComplexArray, Line, Segment


def sampled(path: Path, *, step: float = 0.7, noise: float = 0.015, seed: int = 1) -> ComplexArray:
    """Return points along a path, none of them on a corner but by chance, with normal noise."""
    rng = np.random.default_rng(seed)
    fine = np.concatenate(
        [
            s.at(np.arange(n) / n)
            for s in path.segments
            for n in [max(2, math.ceil(s.length / 0.02))]
        ]
    )
    along = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(fine)))])
    count = round(along[-1] / step)
    at = (np.arange(count) + rng.random()) * along[-1] / (count + 1)
    ring = np.interp(at, along, fine.real) + 1j * np.interp(at, along, fine.imag)
    noisy: ComplexArray = ring + noise * (rng.normal(size=count) + 1j * rng.normal(size=count))
    return noisy


def region(*rings: ComplexArray) -> shapely.MultiPolygon:
    """Return one piece: the first ring less the others."""
    lines = [np.column_stack([z.real, z.imag]) for z in rings]
    return shapely.MultiPolygon([shapely.Polygon(lines[0], lines[1:])])


def circle(radius: float, centre: complex = 0j) -> Path:
    east, west = centre + radius, centre - radius
    return Path((Arc(east, west, math.pi), Arc(west, east, math.pi)))


def polygon(corners: Sequence[complex]) -> Path:
    ends = [*corners[1:], corners[0]]
    return Path(tuple(Line(a, b) for a, b in zip(corners, ends, strict=True)))


def rounded_rectangle(width: float, height: float, radius: float, turn: float = 0.0) -> Path:
    x, y, r = width / 2, height / 2, radius
    quarter = math.pi / 2
    segments: list[Segment] = []
    for k, (w, h) in enumerate([(x, y), (y, x), (x, y), (y, x)]):
        spin = 1j**k
        segments.append(Line(spin * complex(w, -h + r), spin * complex(w, h - r)))
        segments.append(Arc(spin * complex(w, h - r), spin * complex(w - r, h), quarter))
    return Path(tuple(segments)).mapped(complex(math.cos(turn), math.sin(turn)), 3.3 + 1.7j)


def star(points: int, outer: float, inner: float, turn: float = 0.1) -> Path:
    corners = [
        (outer if k % 2 == 0 else inner) * np.exp(1j * (turn + math.pi * k / points))
        for k in range(2 * points)
    ]
    return polygon([complex(z) for z in corners])
