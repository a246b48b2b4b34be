"""Ways from coverage to outline that the benchmark compares: plain library calls, and ours."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import contourpy
import cv2
import numpy as np
from skimage.measure import approximate_polygon

from tests.bench.renderings import Values
from tests.truth import Corners, Floats, turns
from tracer.contour.edge import trace_edges
from tracer.contour.nest import nest_rings
from tracer.curves.path import Drawing
from tracer.curves.segments import Arc, Cubic, Line, Segment
from tracer.fit.drawing import fit_drawing
from tracer.model import Coverage, Frame

FLATNESS_PX = 0.001


@dataclass(frozen=True)
class Outline:
    """What a method made of an artwork: closed rings in px, y down, and what it was built of."""

    rings: tuple[Floats, ...]
    nodes: int
    corners: Corners | None  # None: every vertex is one, there is nothing to score
    kinds: tuple[int, int, int]  # lines, arcs, cubics
    drawing: Drawing | None = None  # in px, y down


def raw_contour(values: Values) -> Outline:
    """The level-1/2 line (contourpy), nothing else."""
    return _polygons(_level_lines(values), scored=False)


def simplified_contour(values: Values) -> Outline:
    """The level-1/2 line, simplified by `approximate_polygon` at 0.5 px (scikit-image)."""
    rings = []
    for ring in _level_lines(values):
        closed = np.vstack([ring, ring[:1]])
        short = approximate_polygon(closed, 0.5)[:-1]
        if len(short) > 2:
            rings.append(short)
    return _polygons(rings, scored=True)


def mask_contour(values: Values) -> Outline:
    """The outline of the 0/1 mask, simplified by `approxPolyDP` at 1 px (OpenCV)."""
    mask = (np.pad(values, 1) >= 0.5).astype(np.uint8)
    found, _ = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    rings = [cv2.approxPolyDP(c, 1.0, True)[:, 0, :].astype(float) - 0.5 for c in found]
    return _polygons([r for r in rings if len(r) > 2], scored=True)


def refined_rings(values: Values) -> Outline:
    """Our rings after refinement, before any fit."""
    coverage = Coverage(values.astype(np.float32))
    rings, _ = trace_edges(coverage)
    return _polygons(rings, scored=False)


def fitted_drawing(values: Values) -> Outline:
    """Our drawing of lines, arcs and cubics."""
    coverage = Coverage(values.astype(np.float32))
    rings, noise = trace_edges(coverage)
    rows = len(values)
    region = nest_rings(rings, Frame(1.0, rows))
    fitted = fit_drawing(region, noise.tolerance_px, pixel_mm=1.0)
    return of_drawing(fitted.drawing.mirrored().mapped(1, rows * 1j))


METHODS: dict[str, Callable[[Values], Outline]] = {
    "contour": raw_contour,
    "contour, polygon 0.5": simplified_contour,
    "mask, polygon 1": mask_contour,
    "ring": refined_rings,
    "fit": fitted_drawing,
}


def of_drawing(drawing: Drawing) -> Outline:
    """Return a drawing in px as an outline that can be measured."""
    rings, points, turned = [], [], []
    for path in drawing.paths:
        z = path.points(FLATNESS_PX)
        rings.append(np.column_stack([z.real, z.imag]))
        for before, after in zip((path.segments[-1], *path.segments), path.segments, strict=False):
            points.append([after.start.real, after.start.imag])
            turn = np.angle(after.start_tangent * np.conj(before.end_tangent))
            turned.append(abs(np.degrees(turn)))
    segments = list(drawing.segments)
    return Outline(
        tuple(rings),
        len(segments),
        Corners(np.array(points).reshape(-1, 2), np.array(turned)),
        (_count(segments, Line), _count(segments, Arc), _count(segments, Cubic)),
        drawing,
    )


def _count(segments: Sequence[Segment], kind: type) -> int:
    return sum(isinstance(segment, kind) for segment in segments)


def _level_lines(values: Values) -> list[Floats]:
    lines = contourpy.contour_generator(z=np.pad(values, 1)).lines(0.5)
    return [np.asarray(line)[:-1] - 0.5 for line in lines if len(line) > 3]


def _polygons(rings: Sequence[Floats], *, scored: bool) -> Outline:
    nodes = sum(map(len, rings))
    corners = None
    if scored:
        corners = Corners(
            np.concatenate([np.empty((0, 2)), *rings]),
            np.concatenate([np.empty(0), *(np.abs(turns(ring)) for ring in rings)]),
        )
    return Outline(tuple(rings), nodes, corners, (nodes, 0, 0))
