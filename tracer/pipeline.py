"""The order of the stages; the only file that knows it.

bytes -> Artwork -> Coverage -> rings -> Region -> mended Region -> Drawing -> SVG -> verified
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely

from tracer.bounds import POINTS
from tracer.contour.edge import trace_edges
from tracer.contour.nest import nest_rings
from tracer.curves.path import Drawing
from tracer.curves.regions import carried_over, flat_region
from tracer.errors import InputError, Status
from tracer.fit.drawing import fit_drawing
from tracer.model import (
    Artwork,
    Coverage,
    Decision,
    EdgeNoise,
    Finding,
    Fitted,
    Frame,
    Mended,
    Points,
    Region,
    Result,
    Verified,
)
from tracer.process import Limits, Process, check_metal_and_mould, limits_for, load_process
from tracer.raster.ink import find_ink
from tracer.raster.read import read_artwork
from tracer.rules.amend import Bench, amended, hidden_places, owned_up
from tracer.rules.mend import Repaired, repair, told
from tracer.rules.pitch import leaps, next_pitch, off_size, pitch_for
from tracer.rules.relief import adjusted_limits
from tracer.rules.scale import scaled, scaled_findings, scaled_mended
from tracer.rules.size import size_curve
from tracer.rules.specks import Aside, set_aside
from tracer.rules.survey import Survey
from tracer.rules.verify import verify_drawing
from tracer.settings import Keep, Settings, Size, SizeBy
from tracer.units import LARGEST_LENGTH_MM
from tracer.write.svg import write_svg
from tracer.write.svg_read import read_svg

MARK = "made by tracer"
"""Stands in every file that we write, so that an earlier output is known as ours."""

_MOST_SIZINGS = 5
"""Repairs change the size and the size decides the repairs: how often to go round at most."""

_MOST_PROOFS = 2
"""How often to go round where the fit or the proof changed the size. What is left then is scaled
away before it is measured, so that every place below a limit is still found."""

_MANY_FINDINGS = 50
_MOST_AMENDINGS = 2
"""How often what is measured on the written drawing is mended again."""

_FLATNESS = 0.05
"""Share of the tolerance within which a drawing is measured as polygons."""

_SIZE_POINTS = 13
"""Of the curve of what is lost against size."""

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """An artwork as far as pixels go: its rings, before any size is known."""

    artwork: Artwork
    coverage: Coverage
    rings: tuple[Points, ...]  # px, y down
    noise: EdgeNoise
    decisions: tuple[Decision, ...]


@dataclass(frozen=True, slots=True)
class Job:
    """What is wanted of traced rings."""

    settings: Settings
    process: Process
    check_only: bool
    sizes: tuple[float, float] | None
    progress: Progress


def trace(data: bytes, name: str, settings: Settings) -> Result:
    """Work one artwork to a single result; the first where it holds several designs or levels."""
    return trace_all(data, name, settings)[0]


def trace_all(
    data: bytes,
    name: str,
    settings: Settings,
    *,
    check_only: bool = False,
    sizes: tuple[float, float] | None = None,
    progress: Progress = lambda _: None,
) -> tuple[Result, ...]:
    """Work one artwork: one result for each level or design that the settings ask for.

    Of levels the widest gets the size that is wanted, the others lie on it at the same scale;
    of several designs each gets the size.

    Parameters
    ----------
    data
        The image file.
    name
        Of the artwork, for the report.
    settings
        Every choice of the user.
    check_only
        Find and measure, but leave the outline as drawn.
    sizes
        Least and largest width in mm of the curve of what is lost against size; None: half to
        three times the present size.
    progress
        Called with the name of each stage as it begins.

    Raises
    ------
    TracerError
        InputError if the artwork cannot be read or worked, UsageError if the settings are wrong.
    """
    process = load_process(settings.process)
    check_metal_and_mould(process, settings.alloy)
    job = Job(settings, process, check_only, sizes, progress)
    try:
        results: list[Result] = []
        for traced in trace_pixels(data, name, settings, progress=progress):
            if results and settings.ink.levels:  # levels of one artwork keep their scale
                pitch = Size(SizeBy.PITCH, results[0].frame.pitch_mm)
                job = replace(job, settings=replace(settings, size=pitch))
            results.append(size_and_mend(traced, job))
        return tuple(results)
    except shapely.GEOSException as error:  # its arithmetic may give up on what it has to join
        raise InputError(
            "its outline defeats the geometry library",
            hint="try another --tolerance, or a larger image; and please report it",
            code="E_GEOMETRY",
        ) from error


def trace_pixels(
    data: bytes, name: str, settings: Settings, *, progress: Progress = lambda _: None
) -> tuple[Traced, ...]:
    """Read an artwork and trace its edges, as far as that goes without knowing its size."""
    progress("reading")
    artwork = read_artwork(data, name, settings.ink)
    coverages = find_ink(artwork, settings.ink)
    progress("tracing")
    traced = []
    for coverage in coverages:
        rings, noise = trace_edges(coverage)
        if not rings:
            raise InputError("nothing to trace", hint="is this the right file?", code="E_BLANK")
        decisions = (*artwork.decisions, *coverage.decisions)
        traced.append(Traced(artwork, coverage, rings, noise, decisions))
    return tuple(traced)


def size_and_mend(traced: Traced, job: Job) -> Result:
    """Bring traced rings to their size and limits, fit them, and measure what was written.

    The finished outline has the wanted size to rounding: where repair changed the extent, the
    pitch is corrected and the repair done again, and the last thousandth is scaled away.
    """
    settings = job.settings
    limits, notes = adjusted_limits(
        limits_for(job.process, settings.role, settings.overrules), job.process, settings
    )
    pitch = pitch_for(traced.rings, settings.size)
    turn = 0
    while True:
        turn += 1
        sized = _mend_to_size(traced, job, limits, pitch)
        proven = _proven(sized, traced, job, limits, last=turn == _MOST_PROOFS)
        pitch = sized.frame.pitch_mm * proven.off
        near = _is_near(proven.off, sized.tolerance_mm, limits, settings)
        if turn == _MOST_PROOFS or near:
            break
    return Result(
        artwork=traced.artwork,
        coverage=traced.coverage,
        noise=traced.noise,
        frame=Frame(pitch, sized.frame.rows),
        settings=settings,
        process=job.process,
        limits=limits,
        drawn=scaled(sized.drawn, proven.off),
        mended=proven.mended,
        fitted=proven.fitted,
        verified=proven.verified,
        tolerance_mm=sized.tolerance_mm,
        sizes=size_curve(sized.found, limits, settings, _widths(sized.found.region, job.sizes)),
        decisions=(*traced.decisions, *(Decision("limits", note) for note in notes)),
        svg=proven.svg,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Sized:
    """A region at its size, as drawn and mended, and the drawing of it where nothing changed."""

    frame: Frame
    drawn: Region
    found: Survey
    mended: Mended
    tolerance_mm: float
    fitted: Fitted | None
    kept: Region


@dataclass(frozen=True, slots=True, eq=False)
class _Proven:
    """What was written and how it measures; all of it `off` times the size it was mended at."""

    mended: Mended
    fitted: Fitted
    verified: Verified
    svg: str
    off: float


def _mend_to_size(traced: Traced, job: Job, limits: Limits, pitch: float) -> _Sized:
    """Mend at the pitch that gives the mended region its size, as near as repair allows.

    Places are found and mended on the fitted outline: pixels round off corners, which the fit
    draws sharp again. What is changed there is carried over to the rings as they were traced.

    A small island at the edge may be removed at one pitch and left at the next, so that no pitch
    gives the size. It is removed for good then, and what is left brought to the size.
    """
    settings = job.settings
    first = pitch
    as_traced = nest_rings(traced.rings, Frame(first, traced.coverage.values.shape[0]))
    set_off = set_aside(as_traced, limits, settings, check_only=job.check_only)
    if set_off.region.is_empty:
        raise _nothing_left(set_off.findings, limits)
    as_drawn: Fitted | None = None
    tried: list[tuple[float, float]] = []
    short: tuple[Repaired, float] | None = None
    while True:
        frame, times = Frame(pitch, traced.coverage.values.shape[0]), pitch / first
        drawn, aside = scaled(as_traced, times), set_off.scaled(times)
        _check_extent(drawn)
        tolerance = settings.tolerance_mm or traced.noise.tolerance_px * pitch
        if as_drawn is None or settings.tolerance_mm:
            job.progress("fitting")
            as_drawn = fit_drawing(
                aside.region,
                tolerance,
                pixel_mm=pitch * traced.coverage.pixel_size,
                regular=settings.regular,
            )
        else:
            as_drawn = replace(as_drawn, drawing=as_drawn.drawing.mapped(pitch / tried[-1][0]))
        sharp = flat_region(as_drawn.drawing, _FLATNESS * tolerance)
        job.progress("mending")
        kept = kept_region(settings.keep, drawn.bounds)
        repaired = repair(
            sharp,
            limits,
            aside.inner(settings),
            margin_mm=2 * tolerance,
            check_only=job.check_only,
            kept=kept,
        )
        if repaired.region.is_empty:
            raise _nothing_left(told(repaired).findings, limits)
        off = off_size(repaired.region.bounds, settings.size)
        tried.append((pitch, 1 / off))
        if len(tried) == _MOST_SIZINGS or _is_near(off, tolerance, limits, settings):
            mended = _carried(aside, sharp, repaired, within=2 * tolerance)
            if mended.region is not aside.region:
                as_drawn = None
            return _Sized(frame, drawn, repaired.drawn, mended, tolerance, as_drawn, kept)
        short = (repaired, pitch) if off > 1 else short
        if short and leaps(tried) and not settings.keep_findings:
            gone = scaled_findings(told(short[0]).findings, first / short[1])
            before, set_off = set_off, set_off.without(gone)
            if before is not set_off:
                as_drawn, tried, short, pitch = None, [], None, max(tried)[0]
                continue
        pitch = next_pitch(tried)


def _carried(aside: Aside, sharp: Region, repaired: Repaired, within: float) -> Mended:
    """Return what was mended on the fitted outline as it is on the rings, with the specks."""
    region = aside.region
    if repaired.region is not sharp:
        region = carried_over(region, sharp, repaired.region, within=within)
    return aside.put_back(replace(told(repaired), region=region))


def _is_near(off: float, tolerance: float, limits: Limits, settings: Settings) -> bool:
    """Tell whether the rest may be scaled away, limits and all.

    It may when that takes less than a quarter of the tolerance from the largest limit, of the twice
    that repairs add to it.
    """
    return abs(off - 1) * limits.largest(settings.grade) < tolerance / 4


def _proven(sized: _Sized, traced: Traced, job: Job, limits: Limits, *, last: bool) -> _Proven:
    """Fit and write a mended region and measure it, until every place below a limit is owned up to.

    What is measured below its limit and is no open finding is mended once more, as it came out of
    the fit, as long as that leaves fewer such places, and at most `_MOST_AMENDINGS` times; then it
    becomes an open finding. Artwork full of repairs is dear to fit: it is mended once more at most.
    Unless it is the `last` time, nothing is mended where the size is so far off that all is redone.
    """
    settings, mended, tolerance = job.settings, sized.mended, sized.tolerance_mm
    bench = Bench(limits, settings, 2 * tolerance, sized.kept)
    total, fitted = 1.0, sized.fitted
    pixel = sized.frame.pitch_mm * traced.coverage.pixel_size
    rounds = 1 if len(mended.findings) > _MANY_FINDINGS else _MOST_AMENDINGS
    hidings: list[int] = []  # hidden places after each round
    while True:
        job.progress("fitting")
        fitted = fitted or fit_drawing(  # the tolerance grows with the pixels
            mended.region, tolerance * total, pixel_mm=pixel * total, regular=settings.regular
        )
        _check_points(fitted.drawing)
        off = off_size(fitted.drawing.bounds, settings.size)
        total *= off
        fitted = replace(fitted, drawing=fitted.drawing.mapped(off))
        mended = scaled_mended(mended, off)
        job.progress("verifying")
        svg = write_svg(
            fitted.drawing, unit=settings.unit, title=traced.artwork.name, description=MARK
        )
        left, bottom, _, _ = fitted.drawing.bounds
        written = read_svg(svg).mapped(1, complex(left, bottom))  # a page begins at its own corner
        verified = verify_drawing(written, settings.role, limits, grade=settings.grade)
        hidden = hidden_places(verified, mended, bench)
        if not hidden or not (last or _is_near(total, tolerance, limits, settings)):
            break
        outline = flat_region(written, _FLATNESS * tolerance)
        hidings.append(len(hidden))
        no_fewer = hidings[-1] >= min(hidings[:-1], default=math.inf)
        if len(hidings) > rounds or no_fewer or job.check_only:
            mended = owned_up(mended, outline, hidden, bench, check_only=job.check_only)
            break
        job.progress("mending")
        mended, fitted = amended(mended, outline, hidden, bench), None
    return _Proven(mended, fitted, verified, svg, total)


def _widths(region: Region, span: tuple[float, float] | None) -> tuple[float, ...]:
    """Return the widths in mm of the curve of what is lost, evenly by ratio."""
    left, _, right, _ = region.bounds
    present = right - left
    low, high = span or (present / 2, 3 * present)
    return tuple(round(float(w), 2) for w in np.geomspace(low, high, _SIZE_POINTS))


def _check_extent(drawn: Region) -> None:
    """Refuse ink so long and narrow that one side given makes the other beyond all reason."""
    left, bottom, right, top = drawn.bounds
    if max(right - left, top - bottom) > LARGEST_LENGTH_MM:
        raise InputError(
            f"at this size the outline would be {right - left:,.0f} x {top - bottom:,.0f} mm, more"
            f" than {LARGEST_LENGTH_MM:,.0f} mm",
            hint="is the ink what you mean? see --ink; else give the other side",
            code="E_SIZE",
        )


def _check_points(drawing: Drawing) -> None:
    points = sum(len(path.segments) for path in drawing.paths)
    if points > POINTS.value:
        raise InputError(
            f"its outline has {points:,} nodes, over the limit of {POINTS.value:,}",
            hint="pass a larger --tolerance, or send cleaner artwork",
            code="E_TOOCOMPLEX",
        )


def _nothing_left(findings: tuple[Finding, ...], limits: Limits) -> InputError:
    widest = max((f.width_mm for f in findings), default=0.0)
    error = InputError(
        f"nothing left that can be cast: the widest part is {widest:.2f} mm, "
        f"the limit {limits.island.advised:.2f} mm",
        hint="make it larger, or --islands enlarge, or another --process",
        code="E_NOTHINGLEFT",
    )
    error.status = Status.PLACES_OPEN
    return error


def kept_region(keep: tuple[Keep, ...], bounds: tuple[float, float, float, float]) -> Region:
    """Return the discs to leave as drawn, from page coordinates to the frame of the region."""
    left, _, _, top = bounds
    points = [shapely.Point(left + k.x_mm, top - k.y_mm).buffer(k.radius_mm) for k in keep]
    merged = shapely.union_all(points)
    return shapely.MultiPolygon([p for p in shapely.get_parts(merged) if p.geom_type == "Polygon"])
