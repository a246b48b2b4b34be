"""`Result` to the report for programs: plain data, and the JSON text of it.

The form is fixed by ``tracer/data/report.schema.json`` (JSON Schema 2020-12). Lengths are in mm;
points on the page run from its top-left corner, x to the right, y down, so a point may lie outside
the page where something outside the finished outline was taken away.
"""

import json
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from tracer import __version__
from tracer.curves.path import Drawing
from tracer.curves.segments import Arc, Cubic, Line
from tracer.errors import TracerError
from tracer.model import Finding, Kind, Result, Width
from tracer.names import shown_name
from tracer.process import EVIDENCE, Limit
from tracer.settings import Grade
from tracer.units import LARGEST_LENGTH_MM, shown_length
from tracer.write.shown import plain
from tracer.write.words import CAUTIONS, PLURALS, counted, done_in_short, sound_from, verdict_text

SCHEMA_VERSION = "1.0"
GENERATOR = "made by tracer"
"""Stands at the head of every report, so that an earlier one is known as ours."""

SIDE_OF = {
    Kind.NECK: "metal",
    Kind.HAIRLINE: "metal",
    Kind.SPUR: "metal",
    Kind.SHARP_TIP: "metal",
    Kind.NARROW_GAP: "gap",
    Kind.SMALL_ISLAND: "island",
    Kind.LOOSE_PIECE: "island",
    Kind.SMALL_OPENING: "opening",
}
"""Which of the four limits a kind of finding is held against."""

_ORIGIN_DECIMALS = 5


def make_report(result: Result, *, files: Mapping[str, str]) -> dict[str, object]:
    """Return everything that is known about a worked artwork as plain data.

    Parameters
    ----------
    result
        Of the pipeline.
    files
        What was written: ``{"svg": "heron.svg", "html": ...}``; empty for a check.

    Returns
    -------
    dict
        Valid against the shipped schema; every number finite, keys in a fixed order. What has no
        value (no two sides face each other, no size helps) is None.
    """
    findings = result.mended.findings
    drawing = result.fitted.drawing
    width, height = result.page_mm
    verified = result.verified
    return {
        "generator": GENERATOR,
        "schema_version": SCHEMA_VERSION,
        "tracer_version": __version__,
        "status": "done",
        "artwork": _artwork(result),
        "settings": _plain_data(result.settings.as_dict()),
        "process": _process(result),
        "drawing": {
            "width_mm": _mm(width),
            "height_mm": _mm(height),
            "pieces": len(drawing.shapes),
            "openings": sum(len(shape.holes) for shape in drawing.shapes),
            "area_mm2": _mm(drawing.area),
            "segments": segments_by_kind(drawing),
            "tolerance_mm": round(result.tolerance_mm, 5),
        },
        "page_origin_on_artwork_mm": [round(x, _ORIGIN_DECIMALS) for x in result.page_origin_mm],
        "pitch_mm": round(result.frame.pitch_mm, 8),
        "verdict": str(result.mended.verdict),
        "verdict_text": verdict_text(result),
        "findings": [_finding(finding, result) for finding in findings],
        "counts": {
            "by_kind": dict(sorted(Counter(str(f.kind) for f in findings).items())),
            "by_status": dict(sorted(Counter(f.status for f in findings).items())),
            "by_action": dict(sorted(Counter(done_in_short(f.action) for f in findings).items())),
        },
        "smallest_safe_width_mm": _sized(width, result.mended.smallest_safe_factor),
        "verified": {
            "least_metal_mm": _width(verified.least_metal),
            "least_metal_at_mm": _at(verified.least_metal, result),
            "least_gap_mm": _width(verified.least_gap),
            "least_gap_at_mm": _at(verified.least_gap, result),
            "places": [
                {"side": side, "width_mm": _mm(place.mm), "at_mm": _at(place, result)}
                for side, place in verified.below
            ],
            "method": plain(verified.method),
        },
        "regularised": [plain(sentence) for sentence in result.fitted.regularised],
        "size_curve": [
            {
                "width_mm": _mm(point.width_mm),
                "places": point.places,
                "share_changed": round(point.share_changed, 6),
                "verdict": str(point.verdict),
            }
            for point in result.sizes
        ],
        "decisions": [
            {
                "topic": plain(decision.topic),
                "text": plain(decision.text),
                "option": plain(decision.option),
                "warning": decision.warning,
                "code": plain(decision.code),
            }
            for decision in result.decisions
        ],
        "cautions": list(CAUTIONS),
        "files": {key: plain(files[key]) for key in sorted(files)},
    }


def failed_report(name: str, error: TracerError) -> dict[str, object]:
    """Return the report of an artwork that could not be worked: what is wrong, what to do."""
    return {
        "generator": GENERATOR,
        "schema_version": SCHEMA_VERSION,
        "tracer_version": __version__,
        "status": "failed",
        "artwork": {"file": plain(name)},
        "error": {
            "code": error.code,
            "message": plain(error.message),
            "hint": plain(error.hint),
        },
    }


def report_text(report: Mapping[str, object] | Sequence[Mapping[str, object]]) -> str:
    """Return one report, or several, as JSON in ASCII, ending in a line feed.

    Control characters, and those that turn the direction of reading, stand escaped; a number that
    is not finite is a fault of ours and raises ValueError.
    """
    return json.dumps(report, allow_nan=False, indent=1, ensure_ascii=True) + "\n"


def summary_lines(report: Mapping[str, Any]) -> list[str]:
    """Return the report for a terminal, every text shown escaped.

    At most seven lines, and one for each warning of how the artwork was read.
    """
    name = shown_name(report["artwork"]["file"])
    if report["status"] == "failed":
        error = report["error"]
        hint = f" ({shown_name(error['hint'])})" if error["hint"] else ""
        return [f"{name}: {shown_name(error['message'])}{hint}"]
    drawing, verified = report["drawing"], report["verified"]
    size = f"{shown_length(drawing['width_mm'])} x {shown_length(drawing['height_mm'])}"
    parts = [
        counted(drawing["pieces"], "piece"),
        counted(drawing["openings"], "opening"),
        counted(sum(drawing["segments"][kind] for kind in _SEGMENTS), "segment"),
    ]
    lines = [f"{name}: {report['verdict']} as drawn", f"  {', '.join([size, *parts])}"]
    for decision in report["decisions"]:
        if decision["warning"]:
            option = f" ({decision['option']} overrules)" if decision["option"] else ""
            lines.append(f"  note: {shown_name(decision['text'])}{option}")
    findings = report["findings"]
    for status, word in (("fixed", "mended"), ("kept", "left as asked"), ("open", "open")):
        some = [finding for finding in findings if finding["status"] == status]
        if some:
            lines.append(f"  {word}: {_by_kind(some)}")
    lines.extend(_least_lines(verified, report["process"]["limits"]))
    if report["process"]["limits"]["metal"]["value"]:
        none = report["smallest_safe_width_mm"] is None
        size = "no size makes it sound as drawn" if none else ""
        lines.append(f"  {size or 'sound as drawn from ' + sound_from(report)}")
    return lines


def segments_by_kind(drawing: Drawing) -> dict[str, int]:
    """Return how many lines, arcs and cubics a drawing has, and how many whole circles.

    A whole circle counts its arcs under `arcs` too.
    """
    kinds = Counter(type(segment) for segment in drawing.segments)
    return {
        "lines": kinds[Line],
        "arcs": kinds[Arc],
        "cubics": kinds[Cubic],
        "circles": sum(path.circle is not None for path in drawing.paths),
    }


_SEGMENTS = ("lines", "arcs", "cubics")


def _artwork(result: Result) -> dict[str, object]:
    artwork, coverage, noise = result.artwork, result.coverage, result.noise
    how = [d.text for d in result.decisions if d.topic in ("ink", "polarity", "threshold")]
    taken = "alpha" if artwork.alpha is not None else "what differs from the ground"
    density = artwork.density_per_mm
    return {
        "file": plain(artwork.name),
        "format": artwork.file_format,
        "pixels": [artwork.columns, artwork.rows],
        "ink": {
            "how": plain(" ".join(how) if how else f"Taken as ink: {taken}."),
            "share": round(float(coverage.values.mean(dtype=float)), 6),
            "level": coverage.level,
            "specks_dropped": coverage.specks,
            "pixel_size": round(coverage.pixel_size, 4),
        },
        "edge_noise": {
            "kind": str(noise.kind),
            "sigma_px": round(noise.sigma_px, 4),
            "blur_px": round(noise.blur_px, 4),
            "tolerance_px": round(noise.tolerance_px, 4),
        },
        "density_per_mm": None if density is None else round(density, 5),
        "sha256": artwork.sha256,
    }


def _process(result: Result) -> dict[str, object]:
    process, grade, limits = result.process, result.settings.grade, result.limits
    sides = {
        "metal": limits.metal,
        "gap": limits.gap,
        "island": limits.island,
        "opening": limits.opening,
    }
    applied = {limit.name for limit in sides.values()}
    return {
        "name": plain(process.name),
        "label": plain(process.label),
        "mould": plain(process.mould),
        "alloy": plain(result.settings.alloy or process.alloy),
        "role": str(result.settings.role),
        "grade": str(grade),
        "limits": {side: _limit(limit, grade) for side, limit in sides.items()},
        "further": {
            plain(name): _limit(limit, grade)
            for name, limit in process.limits.items()
            if name not in applied
        },
    }


def _limit(limit: Limit, grade: Grade) -> dict[str, object]:
    return {
        "name": plain(limit.name),
        "value": _mm(limit.at(grade)),
        "grade": str(grade),
        "least": _mm(limit.least),
        "advised": _mm(limit.advised),
        "comfortable": _mm(limit.comfortable),
        "evidence": plain(limit.evidence),
        "evidence_text": EVIDENCE.get(limit.evidence, "none"),
        "confidence": plain(limit.confidence),
        "basis": plain(limit.basis),
    }


def _finding(finding: Finding, result: Result) -> dict[str, object]:
    return {
        "number": finding.number,
        "kind": str(finding.kind),
        "at_mm": [_mm(x) for x in result.on_page(finding.at)],
        "width_mm": _mm(finding.width_mm),
        "limit_mm": _mm(finding.limit_mm),
        "least_mm": _mm(finding.least_mm),
        "limit_of": SIDE_OF[finding.kind],
        "area_mm2": _mm(finding.area_mm2),
        "lost_mm": _mm(finding.lost_mm),
        "action": plain(finding.action),
        "status": finding.status,
        "sound_from_width_mm": _sized(result.page_mm[0], finding.sound_from_factor),
        "detail": plain(finding.detail),
    }


def _mm(value: float) -> float:
    """Round to 0.1 micrometre: below anything that can be made, above the noise of arithmetic."""
    return round(float(value), 4) + 0.0  # no -0.0


def _sized(width_mm: float, factor: float) -> float | None:
    """Return a width, None where it would be none that anybody casts."""
    width = width_mm * factor
    return _mm(width) if math.isfinite(factor) and width <= LARGEST_LENGTH_MM else None


def _width(width: Width | None) -> float | None:
    return None if width is None else _mm(width.mm)


def _at(width: Width | None, result: Result) -> list[float] | None:
    return None if width is None else [_mm(x) for x in result.on_page(width.at)]


def _plain_data(value: object) -> object:
    """Return settings with enumerations as their words and text as Unicode."""
    match value:
        case dict():
            return {plain(str(key)): _plain_data(item) for key, item in value.items()}
        case list() | tuple():
            return [_plain_data(item) for item in value]
        case str():
            return plain(str(value))
        case _:
            return value


def _by_kind(findings: Sequence[Mapping[str, Any]]) -> str:
    """Return such as ``3 necks (thickened), 1 small opening (filled)``."""
    kinds = Counter(finding["kind"] for finding in findings)
    parts = []
    for kind, count in kinds.items():
        done = sorted({done_in_short(f["action"]) for f in findings if f["kind"] == kind})
        noun = PLURALS[Kind(kind)] if count > 1 else kind.replace("-", " ")
        parts.append(f"{count} {noun} ({', '.join(map(shown_name, done))})")
    return ", ".join(parts)


def _least_lines(verified: Mapping[str, Any], limits: Mapping[str, Any]) -> list[str]:
    parts = []
    for side in ("metal", "gap"):
        least = verified[f"least_{side}_mm"]
        if least is not None:
            wanted = limits[side]["value"]
            limit = f" (limit {shown_length(wanted)})" if wanted else ""
            parts.append(f"least {side} now {shown_length(least)}{limit}")
    return [f"  {', '.join(parts)}"] if parts else []
