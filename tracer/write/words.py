"""The words of the report: verdict, what was done, cautions."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from tracer.model import Finding, Kind, Result, Verdict
from tracer.settings import Grade
from tracer.units import LARGEST_LENGTH_MM, shown_length, shown_size
from tracer.write.shown import plain

PLURALS = {
    Kind.NECK: "necks",
    Kind.HAIRLINE: "hairlines",
    Kind.SPUR: "spurs",
    Kind.NARROW_GAP: "narrow gaps",
    Kind.SMALL_ISLAND: "small islands",
    Kind.SMALL_OPENING: "small openings",
    Kind.SHARP_TIP: "sharp tips",
    Kind.LOOSE_PIECE: "loose pieces",
}

CAUTIONS = (
    (
        "Every limit marked “shop rule, not a standard” is experience or judgement: cast a trial"
        " piece and put your own figures in its place."
    ),
    (
        "Water and molten metal explode: mould, ladle, tools and scrap are dry and warm before they"
        " meet metal."
    ),
    "Wear a face shield, leather gloves and apron, closed shoes; no synthetics, no bystanders.",
    "Pour and cure with ventilation, below the temperature on the rubber's own data sheet.",
    "Sand wet and masked; keep dust of metal and resin off food and skin.",
    (
        "For jewellery take lead-free metal of known analysis, never unknown scrap or old pewter"
        " ware. Small parts are not for small children; nothing here is meant for food or drink."
    ),
    "Data sheets, local rules and licensed practice come before anything said here.",
)


def verdict_text(result: Result) -> str:
    """Return the verdict as sentences that a client understands."""
    findings, verdict = result.mended.findings, result.mended.verdict
    wide = shown_length(result.page_mm[0])
    if result.limits.none:
        return f"Traced as drawn at {wide} wide; no casting limits were asked for."
    if not findings:
        factor = result.mended.smallest_safe_factor
        smallest = shown_size(result.page_mm[0] * factor)
        down_to = f", and down to {smallest} wide" if factor < 1 else ""
        return f"The artwork can be cast as drawn at {wide} wide{down_to}; nothing was changed."
    label = result.process.label
    label = label[:1].lower() + label[1:]
    places = counted(len(findings), "place")
    is_are = "is" if len(findings) == 1 else "are"
    if verdict is Verdict.WILL_NOT_CAST:
        first = f"As drawn it will not cast at {wide} wide: {places} {is_are} too fine for {label}."
    elif verdict is Verdict.AT_RISK:
        first = f"As drawn it is at risk at {wide} wide: {places} {is_are} finer than is"
        first += f" {_GRADE_WORD[result.settings.grade]} for {label}."
    else:
        first = f"The artwork can be cast as drawn at {wide} wide; {places} could be better."
    return f"{first} {_what_was_done(findings)} {_from_which_size(result)}"


def done_in_short(action: str) -> str:
    """Return what was done without its figures, for counting.

    >>> done_in_short("thickened to 0.8 mm"), done_in_short("left open: no room")
    ('thickened', 'left open')
    """
    short = plain(action)
    for mark in (":", ";", ",", "(", " to ", " by ", " at ", " from "):
        short = short.split(mark, 1)[0]
    return short.strip() or "nothing"


def is_shop_rule(evidence: str) -> bool:
    """Whether a value rests on practice or judgement alone and must say so."""
    return evidence in ("P", "J")


def sound_from(report: Mapping[str, Any]) -> str:
    """Return from which size the artwork of a report is sound as drawn: ``42.8 mm wide``."""
    safe = report["smallest_safe_width_mm"]
    if safe is None:
        return "no size"
    points = any(finding["lost_mm"] for finding in report["findings"])
    return f"{shown_size(safe)} wide{', but for points' if points else ''}"


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, such as ``3 places``."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


_GRADE_WORD = {Grade.LEAST: "possible", Grade.ADVISED: "advised", Grade.COMFORTABLE: "comfortable"}


def _what_was_done(findings: Sequence[Finding]) -> str:
    by_status = Counter(finding.status for finding in findings)
    left, kept = by_status["open"], by_status["kept"]
    if not left and not kept:
        return "All are mended in this outline." if len(findings) > 1 else "It is mended here."
    parts = []
    if by_status["fixed"]:
        parts.append(f"{by_status['fixed']} mended in this outline")
    if kept:
        parts.append(f"{kept} left as drawn, as asked")
    if left:
        parts.append(f"{left} still open")
    text = ", ".join(parts) + "."
    return text[:1].upper() + text[1:]


def _from_which_size(result: Result) -> str:
    width = result.page_mm[0] * result.mended.smallest_safe_factor
    if width > LARGEST_LENGTH_MM:
        return "No size makes it sound without a change."
    if any(finding.lost_mm for finding in result.mended.findings):
        rest = "but points and notches, which come out as blunt at any size"
        return f"From {shown_size(width)} wide nothing need be changed {rest}."
    return f"From {shown_size(width)} wide nothing need be changed."
