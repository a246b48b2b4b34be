"""Set specks aside before anything is measured or fitted: dust, dither, the grain of a scan.

There may be tens of thousands of them, each as dear to fit and to measure as a letter.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from tracer.curves.regions import as_region
from tracer.model import Finding, Kind, Mended, Region, Verdict
from tracer.process import Limit, Limits
from tracer.rules.scale import scaled, scaled_findings
from tracer.settings import Grade, Role, Settings

_SHARE = 0.5
"""Of the limit: what is smaller across than this is a speck, if there are several."""
_SEVERAL = 5
_MANY = 200
"""Of so many pieces smaller than the limit each is a speck."""


_SAME = 0.8
"""Share of the area in common from which a piece is what a finding removed."""
_EDGE = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Aside:
    """A region without its specks, and what became of them."""

    region: Region
    findings: tuple[Finding, ...]
    kept: tuple[tuple[Region, bool], ...]  # specks left as drawn, and whether they are ink

    def inner(self, settings: Settings) -> Settings:
        """Return the settings for the region alone, whose findings are numbered from 1."""
        numbers = tuple(n - len(self.findings) for n in settings.keep_findings)
        return replace(settings, keep_findings=numbers) if self.findings else settings

    def scaled(self, factor: float) -> "Aside":
        """Return the same, `factor` times as large."""
        return Aside(
            scaled(self.region, factor),
            scaled_findings(self.findings, factor),
            tuple((scaled(specks, factor), is_ink) for specks, is_ink in self.kept),
        )

    def without(self, findings: tuple[Finding, ...]) -> "Aside":
        """Return the same without the small islands at its edge that these findings removed."""
        pieces = shapely.get_parts(self.region)
        left, gone = np.ones(len(pieces), dtype=bool), []
        for finding in findings:
            if finding.kind is not Kind.SMALL_ISLAND or finding.status != "fixed":
                continue
            for k in np.flatnonzero(_at_edge(shapely.bounds(pieces))):
                if _overlap(pieces[k], finding.changed) > _SAME:
                    left[k] = False
                    gone.append(finding)
        if not gone or not left.any():
            return self
        region = as_region(shapely.MultiPolygon(list(pieces[left])))
        return Aside(region, (*self.findings, *gone), self.kept)

    def put_back(self, mended: Mended) -> Mended:
        """Return the mended region with the specks that are kept, and the findings of all."""
        if not self.findings:
            return mended
        region = mended.region
        for specks, is_ink in self.kept:
            region = as_region(region.union(specks) if is_ink else region.difference(specks))
        findings = (*self.findings, *mended.findings)
        return Mended(
            region,
            tuple(replace(f, number=n) for n, f in enumerate(findings, 1)),
            Verdict.AT_RISK if mended.verdict is Verdict.SOUND else mended.verdict,
            max(mended.smallest_safe_factor, *(f.sound_from_factor for f in self.findings)),
        )


def set_aside(region: Region, limits: Limits, settings: Settings, *, check_only: bool) -> Aside:
    """Take the specks out of a region.

    A speck is a piece or an opening whose bounds are less across than half its limit where there
    are more than five such, or than the limit where there are more than 200. Specks of ink are one
    finding, specks in ink another; they come first in the list of findings, and where its number is
    to be kept they are left as drawn.
    """
    pieces, found = shapely.get_parts(region), []
    gone = _specks(_across(pieces), _limit(limits, settings, ink=True), settings.grade)
    if gone.any():
        found.append((shapely.MultiPolygon(list(pieces[gone])), True))
        pieces = pieces[~gone]
    rings, owner = shapely.get_rings(pieces, return_index=True)
    holes = np.flatnonzero(np.append(False, owner[1:] == owner[:-1])[: len(rings)])
    shapes = np.array([shapely.Polygon(ring) for ring in rings[holes]], dtype=object)
    empty = np.ones(len(holes), dtype=bool)
    inside = shapely.STRtree(pieces).query(shapes, "contains_properly")[0]
    empty[inside] = False
    holes, shapes = holes[empty], shapes[empty]
    gone = _specks(_across(shapes), _limit(limits, settings, ink=False), settings.grade)
    if gone.any():
        found.append((shapely.MultiPolygon(list(shapes[gone])), False))
        for k in np.unique(owner[holes[gone]]):
            own = np.setdiff1d(np.flatnonzero(owner == k), holes[gone])
            pieces[k] = shapely.Polygon(rings[own[0]], rings[own[1:]].tolist())
    if not found:
        return Aside(region, (), ())
    kept = tuple(each for n, each in enumerate(found, 1) if n in settings.keep_findings)
    findings = tuple(
        _finding(specks, n, limits, settings, ink=is_ink, check_only=check_only)
        for n, (specks, is_ink) in enumerate(found, 1)
    )
    return Aside(as_region(shapely.MultiPolygon(list(pieces))), findings, kept)


def _at_edge(bounds: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which of some bounds (N, 4) reach those of all of them, within a hundredth."""
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    near = _EDGE * (high - low)
    beyond = (bounds[:, :2] < low + near) | (bounds[:, 2:] > high - near)
    at_edge: NDArray[np.bool_] = beyond.any(axis=1)
    return at_edge


def _overlap(piece: shapely.Polygon, changed: Region) -> float:
    """Return the area in common over that of both together."""
    both = piece.intersection(changed).area
    return float(both / (piece.area + changed.area - both))


def _is_metal(settings: Settings, *, ink: bool) -> bool:
    return ink is (settings.role is not Role.SUNK)


def _limit(limits: Limits, settings: Settings, *, ink: bool) -> Limit:
    return limits.island if _is_metal(settings, ink=ink) else limits.opening


def _across(shapes: NDArray[np.object_]) -> NDArray[np.float64]:
    left, bottom, right, top = shapely.bounds(shapes).reshape(-1, 4).T
    across: NDArray[np.float64] = np.hypot(right - left, top - bottom)
    return across


def _specks(across: NDArray[np.float64], limit: Limit, grade: Grade) -> NDArray[np.bool_]:
    below: NDArray[np.bool_] = across < limit.at(grade)
    if below.sum() > _MANY:
        return below
    specks: NDArray[np.bool_] = across < _SHARE * limit.at(grade)
    return specks if specks.sum() > _SEVERAL else np.zeros_like(specks)


def _finding(
    shape: Region, number: int, limits: Limits, settings: Settings, *, ink: bool, check_only: bool
) -> Finding:
    metal, limit = _is_metal(settings, ink=ink), _limit(limits, settings, ink=ink)
    parts = shapely.get_parts(shape)
    circle = shapely.maximum_inscribed_circle(parts[shapely.area(parts).argmax()])
    (x, y), _ = circle.coords
    width = 2 * circle.length
    deed = f"{len(parts)} {'specks removed' if metal else 'pinholes filled'}"
    status = "open" if check_only else "fixed"
    action = f"would be {deed}" if check_only else deed
    if number in settings.keep_findings:
        status, action = "kept", "left as drawn, as you asked"
    return Finding(
        number=number,
        kind=Kind.SMALL_ISLAND if metal else Kind.SMALL_OPENING,
        at=(x, y),
        width_mm=width,
        limit_mm=limit.at(settings.grade),
        least_mm=limit.least,
        area_mm2=float(shape.area),
        action=action,
        status=status,
        sound_from_factor=max(limit.at(settings.grade) / width, 1.0) if width > 0 else math.inf,
        place=as_region(shape),
        changed=as_region(shape) if status == "fixed" else shapely.MultiPolygon(),
    )
