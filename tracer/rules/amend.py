"""Close the loop: what is measured below a limit on the written drawing is mended or owned up to.

The fit may draw a corner anew that repair had rounded, or bend a side by its tolerance. What the
verification finds is taken back here: looked up on the written outline, mended there, and the
change carried over to the region that is fitted. What is still below after that is an open finding.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.curves.regions import carried_over, changes_between, valid_region
from tracer.model import Finding, Kind, Mended, Region, Verified, Width
from tracer.process import Limits
from tracer.rules.mend import Work, mend_in_order
from tracer.rules.report import finding_of
from tracer.rules.survey import Defect, Sizes, sizes_of, survey
from tracer.settings import Settings

Below = tuple[str, Width]
"""A place below its limit as `Verified.below` has it: metal, gap, island or opening."""

_OF_GAPS = frozenset({Kind.NARROW_GAP, Kind.SMALL_OPENING})
_REACH = 0.5
"""Of its limit: how far from the place of a finding something still belongs to it."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What a region is held to and how it may be mended."""

    limits: Limits
    settings: Settings
    margin_mm: float
    kept: Region

    @property
    def sizes(self) -> Sizes:
        """The limits of the grade that was asked for."""
        return sizes_of(self.limits, self.settings.grade, self.margin_mm)


def hidden_places(verified: Verified, mended: Mended, bench: Bench) -> tuple[Below, ...]:
    """Return the places below their limit that no finding owns up to.

    A finding that is open or kept owns what lies within half a limit of its place, on its own side
    of the outline. A loose piece owns nothing: it is sound in itself.
    """
    owners = [f for f in mended.findings if f.status != "fixed" and f.kind is not Kind.LOOSE_PIECE]
    return tuple(
        (side, width)
        for side, width in verified.below
        if not any(_owns(f, side, width, bench) for f in owners)
    )


def amended(mended: Mended, written: Region, hidden: Sequence[Below], bench: Bench) -> Mended:
    """Mend hidden places, as they are on the written outline.

    Where that would add or take a piece or an opening nothing is mended, and every place is owned
    up to: what was drawn comes or goes for a finding in the artwork only.

    Returns
    -------
    Mended
        The region with the repairs carried over. Each place is a finding: of those there are the
        one whose place it is now counts the change too, else a new one at the end of the list.
    """
    defects, scope = _looked_up(written, hidden, bench)
    work = Work(written, bench.sizes, bench.settings, bench.kept, scope=scope)
    mend_in_order(work, work.survey())
    if _bodies(work.ink) != _bodies(written):
        return owned_up(mended, written, hidden, bench, check_only=False)
    changes = shapely.get_parts(changes_between(written, work.ink))
    rest = work.survey().defects
    region = carried_over(mended.region, written, work.ink, within=bench.margin_mm)
    return _with_findings(
        replace(mended, region=region),
        defects,
        bench,
        [
            (
                valid_region(shapely.GeometryCollection(list(_near(changes, d.place, bench)))),
                [r for r in rest if r.metal is d.metal and r.place.intersects(d.place)],
            )
            for d in defects
        ],
        check_only=False,
    )


def _bodies(region: Region) -> tuple[int, int]:
    """Return the number of pieces and of openings."""
    parts = shapely.get_parts(region)
    return len(parts), int(shapely.get_num_interior_rings(parts).sum())


def owned_up(
    mended: Mended, written: Region, hidden: Sequence[Below], bench: Bench, *, check_only: bool
) -> Mended:
    """Return the findings with one that is open for each hidden place."""
    defects, _ = _looked_up(written, hidden, bench)
    nothing = shapely.MultiPolygon()
    return _with_findings(
        mended, defects, bench, [(nothing, [d]) for d in defects], check_only=check_only
    )


def _with_findings(
    mended: Mended,
    defects: Sequence[Defect],
    bench: Bench,
    outcomes: Sequence[tuple[Region, list[Defect]]],
    *,
    check_only: bool,
) -> Mended:
    """Return the findings, each defect told by the one that it belongs to or by a new one."""
    findings = list(mended.findings)
    for defect, (changed, still) in zip(defects, outcomes, strict=True):
        number = len(findings) + 1
        asked = number in bench.settings.keep_findings
        at = shapely.Point(defect.at.real, defect.at.imag)
        new = finding_of(
            defect,
            changed,
            still,
            mended.region,
            bench.sizes,
            bench.limits,
            bench.settings,
            kept=asked or bool(at.intersects(bench.kept)),
            check_only=check_only,
        )
        same = [k for k, f in enumerate(findings) if _is_same(f, new, bench)]
        if same:
            findings[same[0]] = _joined(findings[same[0]], new)
        else:
            findings.append(replace(new, number=number))
    return replace(mended, findings=tuple(findings))


def _is_same(finding: Finding, new: Finding, bench: Bench) -> bool:
    """Tell whether a finding and a new one are of the same place."""
    if finding.kind is Kind.LOOSE_PIECE or (finding.kind in _OF_GAPS) != (new.kind in _OF_GAPS):
        return False
    return bool(_ground(finding).distance(new.place) < bench.margin_mm)


def _joined(finding: Finding, new: Finding) -> Finding:
    """Return a finding that also tells of a new one at its place."""
    changed = valid_region(shapely.union(finding.changed, new.changed))
    place = valid_region(shapely.union(finding.place, new.place))
    if new.status == "fixed":
        return replace(finding, changed=changed, place=place)
    return replace(finding, changed=changed, place=place, status=new.status, action=new.action)


def _owns(finding: Finding, side: str, width: Width, bench: Bench) -> bool:
    if (finding.kind in _OF_GAPS) != (side in ("gap", "opening")):
        return False
    reach = _REACH * getattr(bench.limits, side).at(bench.settings.grade)
    return bool(_ground(finding).distance(shapely.Point(width.at)) <= reach)


def _ground(finding: Finding) -> BaseGeometry:
    return shapely.GeometryCollection([finding.place, finding.changed])


def _near(parts: np.ndarray, place: BaseGeometry, bench: Bench) -> np.ndarray:
    chosen: np.ndarray = parts[shapely.distance(parts, place) < bench.margin_mm]
    return chosen


def _looked_up(
    written: Region, hidden: Sequence[Below], bench: Bench
) -> tuple[list[Defect], BaseGeometry]:
    """Return the defect at each hidden place, and the ground that they cover together."""
    every = survey(written, bench.sizes, bench.settings.role).defects
    found: list[Defect] = []
    for side, width in hidden:
        at = shapely.Point(width.at)
        reach = _REACH * getattr(bench.limits, side).at(bench.settings.grade)
        near = [
            (d.place.distance(at), k)
            for k, d in enumerate(every)
            if d.metal is (side in ("metal", "island")) and d.kind is not Kind.LOOSE_PIECE
        ]
        distance, k = min(near, default=(np.inf, -1))
        defect = every[k] if distance <= reach else _as_measured(side, width, bench)
        if not any(defect is other for other in found):
            found.append(defect)
    return found, shapely.union_all([d.place for d in found])


def _as_measured(side: str, width: Width, bench: Bench) -> Defect:
    """Return a defect that the survey does not see, as the verification has it."""
    kinds = {"metal": Kind.NECK, "gap": Kind.NARROW_GAP, "island": Kind.SMALL_ISLAND}
    limit = getattr(bench.limits, side).at(bench.settings.grade)
    place = shapely.Point(width.at).buffer(max(width.mm / 2, bench.margin_mm))
    return Defect(
        kinds.get(side, Kind.SMALL_OPENING),
        side in ("metal", "island"),
        complex(*width.at),
        width.mm,
        limit,
        lambda: place,
        place.area,
    )
