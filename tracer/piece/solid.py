"""A piece as sections: nested level by level, so that nothing overhangs from the back.

Each section lies within the one below it, because every wall leans inward (draft), roundings only
take away towards the top, and fillets only add towards the bottom. A mould can therefore be drawn
off towards the front, and the surface between two sections can be triangulated in plan.
"""

import math
from dataclasses import dataclass

import numpy as np
import shapely

from tracer.curves.regions import as_region
from tracer.model import Region
from tracer.piece.blank import arc_steps, circle
from tracer.piece.flat import area_true_points, region_of
from tracer.piece.values import Piece

FACET_MM = 0.005
"""Sagitta of every flattened curve in plan."""

_ROUND_MM = 0.008
"""Sagitta of the steps of a rounding in height; with `FACET_MM` below 0.02 mm in all."""

_LEAST_AREA = 1e-4
"""mm2: smaller scraps of a section are dropped."""


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """A piece whose drawings have been flattened; cheap to cut at any height."""

    piece: Piece
    outline: Region
    raised: tuple[tuple[float, Region], ...]  # (height of the face above the back, region)
    sunk: tuple[tuple[float, Region], ...]  # (height of the floor above the back, region)

    @property
    def lean(self) -> float:
        """How far a wall leans in for each mm of height."""
        return math.tan(math.radians(self.piece.draft_deg))

    def outline_at(self, z: float, face: float) -> Region:
        """Return the outline at height z where the local face is at `face`, rounding counted."""
        inset = z * self.lean + rounding(z, face, self.piece.edge_radius_mm)
        return offset(self.outline, -inset)

    def section(self, z: float, *, above: bool = False) -> Region:
        """Return the solid's section at height z; `above`: just above z, else just below."""
        piece = self.piece

        def reaches(face: float) -> bool:
            return face > z if above else face >= z

        section = shapely.MultiPolygon()
        if reaches(piece.body_mm):
            section = self.outline_at(z, piece.body_mm)
            for floor, region in self.sunk:
                pocket = self._pocket(z, floor, region, open_=not reaches(floor))
                section = as_region(section.difference(pocket))
        for face, region in self.raised:
            if reaches(face) and (not reaches(piece.body_mm) or z > self._plain_below):
                foot = fillet(z - piece.body_mm, piece.fillet_mm)
                stand = offset(region, (face - z) * self.lean + foot)
                stand = as_region(stand.intersection(self.outline_at(z, face)))
                section = as_region(section.union(stand))
        if piece.hole is not None:
            section = as_region(section.difference(self._hole(z)))
        return _tidy(section)

    @property
    def _plain_below(self) -> float:
        """Height below which no raised level can stick out of the body."""
        return min(self.piece.floor_mm, self.piece.body_mm - self.piece.edge_radius_mm)

    def _pocket(self, z: float, floor: float, region: Region, *, open_: bool) -> Region:
        body, radius = self.piece.body_mm, self.piece.fillet_mm
        level = z if open_ else floor
        inset = (body - level) * self.lean + fillet(level - floor, radius)
        pocket = offset(region, -inset)
        if open_:
            return pocket
        # below the floor only the rounding of the rim along the floor is cut away
        if self.piece.edge_radius_mm == 0 or z <= floor - self.piece.edge_radius_mm:
            return shapely.MultiPolygon()
        return as_region(pocket.difference(self.outline_at(z, floor)))

    def _hole(self, z: float) -> shapely.Polygon:
        hole = self.piece.hole
        assert hole is not None
        path = circle(complex(*hole.at), hole.diameter_mm / 2 + z * self.lean)
        points = area_true_points(path, FACET_MM)
        return shapely.Polygon(np.column_stack([points.real, points.imag]))

    def heights(self) -> list[tuple[float, bool]]:
        """Return the (height, above) at which to cut so that straight facets stay true."""
        piece, radius, foot = self.piece, self.piece.edge_radius_mm, self.piece.fillet_mm
        faces = sorted({piece.body_mm, *(f for f, _ in self.raised), *(f for f, _ in self.sunk)})
        steps = round_steps(radius)
        cuts = {0.0, *faces}
        for face in faces:
            cuts.update(face - radius * (1 - math.sin(a)) for a in steps)
        for base in {piece.body_mm} if self.raised else set():
            cuts.update(base + foot * (1 - math.sin(a)) for a in round_steps(foot))
        for floor, _ in self.sunk:
            cuts.update(floor + foot * (1 - math.sin(a)) for a in round_steps(foot))
        top = max(f for f in faces if f >= piece.body_mm)
        result: list[tuple[float, bool]] = []
        for z in sorted(round(z, 9) for z in cuts if 0 <= z <= top):
            if result and z - result[-1][0] < 1e-6:
                continue
            result.append((z, False))
            if any(abs(z - face) < 1e-6 for face in faces) and z < top - 1e-6:
                result.append((z, True))
        return result


def solid_of(piece: Piece, sagitta_mm: float = FACET_MM, *, inscribed: bool = False) -> Solid:
    """Flatten the drawings of a piece.

    Where levels of one kind overlap, the higher face or the deeper floor counts; raised counts
    over sunk.
    """
    raised = [
        (piece.body_mm + level.height_mm, region_of(level.drawing, sagitta_mm, inscribed=inscribed))
        for level in piece.levels
        if level.height_mm > 0
    ]
    sunk = [
        (piece.body_mm + level.height_mm, region_of(level.drawing, sagitta_mm, inscribed=inscribed))
        for level in piece.levels
        if level.height_mm < 0
    ]
    outline = region_of(piece.outline, sagitta_mm, inscribed=inscribed)
    return Solid(piece, outline, tuple(raised), tuple(sunk))


def rounding(z: float, face: float, radius: float) -> float:
    """Return how far a rounded edge has drawn in at height z under a face."""
    rise = z - (face - radius)
    if rise <= 0 or radius == 0:
        return 0.0
    return radius - math.sqrt(max(radius**2 - min(rise, radius) ** 2, 0.0))


def fillet(height: float, radius: float) -> float:
    """Return how far an inside fillet stands out at a height over its foot."""
    if height >= radius or radius == 0:
        return 0.0
    fall = radius - max(height, 0.0)
    return radius - math.sqrt(max(radius**2 - fall**2, 0.0))


def round_steps(radius: float) -> list[float]:
    """Return the angles in rad, 0 to a quarter turn, that keep a rounding within its sagitta."""
    if radius <= 0:
        return []
    count = max(2, math.ceil(math.pi / 4 / math.acos(1 - min(_ROUND_MM / radius, 0.5))))
    return [k * math.pi / 2 / count for k in range(count + 1)]


def offset(region: Region, distance: float) -> Region:
    """Return a region grown (or, negative, shrunk) by a distance; convex arcs when grown."""
    if abs(distance) < 1e-12:
        return region
    return as_region(region.buffer(distance, quad_segs=arc_steps(abs(distance), FACET_MM)))


def _tidy(region: Region) -> Region:
    return as_region(shapely.MultiPolygon([p for p in region.geoms if p.area > _LEAST_AREA]))
