"""Find every place that breaks a limit and mend it.

Order: islands and openings, gaps, metal, gaps again, tips, inside corners. What became of each
place is not taken from the repairs but measured afresh on the result.
"""

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from tracer.curves.regions import as_region, changes_between
from tracer.model import Finding, Kind, Mended, Region, Verdict
from tracer.process import Limits
from tracer.rules.bodies import mend_bodies
from tracer.rules.gaps import mend_gaps, spared
from tracer.rules.metal import blunt_tips, thicken
from tracer.rules.patches import Patch, apply, fillable, touching, without_slivers
from tracer.rules.report import finding_of, in_reading_order, verdict_of
from tracer.rules.size import smallest_safe_factor
from tracer.rules.survey import Defect, Sizes, Survey, defects_of, sizes_of, survey
from tracer.settings import Grade, Repairs, Role, Settings

_EMPTY = shapely.MultiPolygon()
_PASSES = 3


@dataclass(slots=True)
class Work:
    """The ink on its way through the repairs; what lies outside `scope` or in `kept` is left."""

    ink: Region
    sizes: Sizes
    settings: Settings
    kept: Region
    last: Survey | None = None
    scope: BaseGeometry | None = None  # None: everywhere

    @property
    def sunk(self) -> bool:
        """Whether ink is mould."""
        return self.settings.role is Role.SUNK

    def survey(self) -> Survey:
        """Return what is wrong with the ink as it is now."""
        if self.last is None or self.last.region is not self.ink:
            self.last = survey(self.ink, self.sizes, self.settings.role)
        return self.last

    def leaves(self, defect: Defect) -> bool:
        """Tell whether a defect is to be left as it is."""
        if self.scope is not None and not defect.place.intersects(self.scope):
            return True
        at = shapely.Point(defect.at.real, defect.at.imag)
        return not self.kept.is_empty and bool(at.intersects(self.kept))

    def take(self, patches: list[Patch]) -> None:
        """Apply patches, leaving the kept places alone."""
        if not self.kept.is_empty:
            patches = [replace(p, shape=p.shape.difference(self.kept)) for p in patches]
        patches = [p for p in patches if not p.shape.is_empty]
        if not patches:
            return
        changed = apply(self.ink, patches, sunk=self.sunk)
        self.ink = without_slivers(changed, self.ink, self.sizes.tolerance)


@dataclass(frozen=True, slots=True, eq=False)
class Repaired:
    """A region brought to its limits, before it is told what became of each place."""

    drawn: Survey
    limits: Limits
    check_only: bool
    work: Work

    @property
    def region(self) -> Region:
        """The ink as it is now."""
        return self.work.ink


def mend_region(
    region: Region,
    limits: Limits,
    settings: Settings,
    *,
    margin_mm: float,
    check_only: bool = False,
    kept: Region = _EMPTY,
) -> Mended:
    """Bring a region to its limits.

    Promised: the result, measured again by the same means, has no place below the limits that is
    not a finding with status ``open`` or ``kept``; nothing moves outside the reach of a finding;
    pieces and openings come or go only with a finding. Not promised: that every place can be
    mended; where metal and gap together are too narrow both stay as they are.

    Parameters
    ----------
    region
        The ink in mm, y up, with vertices no further apart than the detail wants.
    limits
        In mm; with no limits at all the region comes back as it is.
    settings
        Role, grade, repairs and the numbers of findings to leave alone.
    margin_mm
        Repairs aim at the limit plus this, so that the fit cannot eat into the limit.
    check_only
        Find and measure only; actions say what would be done.
    kept
        Places to leave as drawn, in the frame of the region.

    Returns
    -------
    Mended
        The region, its findings in reading order, the verdict as drawn and the smallest safe size.
    """
    return told(
        repair(region, limits, settings, margin_mm=margin_mm, check_only=check_only, kept=kept)
    )


def repair(
    region: Region,
    limits: Limits,
    settings: Settings,
    *,
    margin_mm: float,
    check_only: bool = False,
    kept: Region = _EMPTY,
) -> Repaired:
    """Do the first half of `mend_region`: all that changes the region."""
    sizes = sizes_of(limits, settings.grade, margin_mm)
    drawn = survey(region, sizes, settings.role)
    defects = in_reading_order(drawn.defects, region.bounds)
    chosen = [defects[n - 1].place for n in settings.keep_findings if 0 < n <= len(defects)]
    held = as_region(shapely.union_all([kept, *(p.buffer(sizes.margin) for p in chosen)]))
    work = Work(region, sizes, settings, held, drawn)
    if defects and not check_only:
        mend_in_order(work, drawn)
    return Repaired(drawn, limits, check_only, work)


def told(repaired: Repaired) -> Mended:
    """Do the second half of `mend_region`: tell what became of each place, and the verdict."""
    drawn, work, limits = repaired.drawn, repaired.work, repaired.limits
    findings: tuple[Finding, ...] = ()
    if drawn.defects:
        findings = _findings(drawn, work, limits, check_only=repaired.check_only)
    verdict = _verdict(drawn, limits, work.sizes, work.settings)
    return Mended(work.ink, findings, verdict, smallest_safe_factor(drawn, work.settings.role))


def mend_in_order(work: Work, drawn: Survey) -> None:
    """Mend the ink of `work` in the fixed order; `drawn` is the survey of it as it is."""
    sizes, settings, sunk = work.sizes, work.settings, work.sunk
    repairs = settings.repairs
    tolerance = sizes.tolerance
    found = drawn
    wanted = [d for d in drawn.defects if not work.leaves(d)]
    # small pieces and openings that an earlier repair left over are not removed as if drawn
    changed = mend_bodies(found, wanted, sizes, repairs) if work.scope is None else []
    if changed:
        work.take(changed)
        found = work.survey()
        wanted = [d for d in found.defects if not work.leaves(d)]
    work.take(mend_gaps(found, wanted, sizes, repairs, sunk=sunk, tolerance=tolerance))
    for _ in range(_PASSES):
        if not _thicken(work):
            break
    found = work.survey()
    tips = [d for d in found.defects if d.kind is Kind.SHARP_TIP and not work.leaves(d)]
    work.take(blunt_tips(found, tips, sizes, repairs, sunk=sunk, tolerance=tolerance))


def _thicken(work: Work) -> bool:
    """Thicken thin metal where the gaps beside it allow; return whether anything was changed."""
    sizes, sunk, tolerance = work.sizes, work.sunk, work.sizes.tolerance
    found = work.survey()
    thin = [d for d in found.defects if d.metal and not work.leaves(d)]
    patches = thicken(found, thin, sizes, work.settings.repairs, sunk=sunk, tolerance=tolerance)
    if not patches:
        return False
    before = work.ink
    cuts: list[Patch] = []
    for _ in range(_PASSES):
        work.take(patches)
        fresh = changes_between(before, work.ink)
        left, cuts = spared(work.survey(), found, fresh, patches, sizes, tolerance=tolerance)
        if left == patches:
            break
        work.ink, patches = before, left
        if not patches:
            return False
    if work.ink is before:
        work.take(patches)
    work.take(cuts)
    blends = fillable(
        work.ink, min(x for x in (sizes.metal, sizes.gap) if x) / 4, tolerance, sunk=sunk
    )
    added = shapely.union_all([p.shape for p in patches if p.add])
    work.take([Patch(touching(blends, added, tolerance), add=True)])
    fresh = changes_between(before, work.ink)
    notches = [
        d
        for d in work.survey().defects
        if d.kind is Kind.NARROW_GAP
        and d.thin is not None
        and d.thin.runs_out
        and d.place.distance(fresh) < 2 * tolerance
    ]
    work.take(mend_gaps(work.survey(), notches, sizes, Repairs(), sunk=sunk, tolerance=tolerance))
    return True


def _verdict(drawn: Survey, limits: Limits, sizes: Sizes, settings: Settings) -> Verdict:
    """Judge the region as drawn at the advised and least grades, whatever grade is asked for."""
    advised = sizes_of(limits, Grade.ADVISED, sizes.margin)
    defects = drawn.defects
    if settings.grade is Grade.LEAST:
        defects = defects_of(drawn.axis, advised, settings.role)
    return verdict_of(defects, limits)


def _findings(
    drawn: Survey, work: Work, limits: Limits, *, check_only: bool
) -> tuple[Finding, ...]:
    """Return one finding for each defect, and for each that a repair left behind elsewhere."""
    region = drawn.region
    defects = in_reading_order(drawn.defects, region.bounds)
    rest = drawn.defects if check_only else work.survey().defects
    changes = shapely.get_parts(changes_between(region, work.ink))
    # a loose piece that is left as it is has no part in what is mended within it
    bridged = work.settings.repairs.islands == "bridge"
    claims = [d.kind is not Kind.LOOSE_PIECE or bridged for d in defects]
    owner = _owners(
        changes, [d.place if own else _EMPTY for d, own in zip(defects, claims, strict=True)]
    )
    still = [[] for _ in defects]  # type: list[list[Defect]]
    fresh: list[Defect] = []
    reach = [
        d.place  # specks: joining thousands is slow, and each is gone or not
        if d.count > 1
        else shapely.union_all([d.place, *changes[owner == k]]).buffer(work.sizes.margin + 1e-6)
        for k, d in enumerate(defects)
    ]
    tree = shapely.STRtree(reach)
    for left in rest:
        found = tree.query(shapely.Point(left.at.real, left.at.imag), predicate="intersects")
        found = found if len(found) else tree.query(left.place, predicate="intersects")
        loose = left.kind is Kind.LOOSE_PIECE  # what is thin within one is a matter of its own
        near = [k for k in found if (defects[k].kind is Kind.LOOSE_PIECE) is loose]
        same = [k for k in near if defects[k].metal is left.metal]
        if near:
            still[int(min(same or near))].append(left)
        else:
            fresh.append(left)
    every = [
        finding_of(
            defect,
            as_region(shapely.GeometryCollection(list(changes[owner == k]))),
            still[k],
            region,
            work.sizes,
            limits,
            work.settings,
            kept=work.leaves(defect),
            check_only=check_only,
        )
        for k, defect in enumerate(defects)
    ]
    every += [
        finding_of(
            d, _EMPTY, [d], region, work.sizes, limits, work.settings, kept=False, check_only=False
        )
        for d in fresh
    ]
    return tuple(replace(f, number=n) for n, f in enumerate(every, 1))


def _owners(changes: np.ndarray, places: list[BaseGeometry]) -> np.ndarray:
    """Return for each change the place that it belongs to: the one it overlaps, or the nearest."""
    if not len(changes) or not places:
        return np.zeros(len(changes), dtype=np.int64)
    tree = shapely.STRtree(places)
    index, nearest = tree.query_nearest(changes, all_matches=False)
    owner = np.zeros(len(changes), dtype=np.int64)
    owner[index] = nearest
    return owner
