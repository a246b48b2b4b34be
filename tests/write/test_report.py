"""The report: its schema, its figures against known geometry, its safety."""

import copy
import json
import math
import unicodedata
from dataclasses import replace
from importlib import resources
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.write.results import HEIGHT, LEFT, PITCH, TOP, WIDTH, all_kinds, finding, plate
from tracer.errors import InputError
from tracer.model import Kind, Verdict
from tracer.settings import Role
from tracer.write.report import failed_report, make_report, report_text, summary_lines

SCHEMA = json.loads(
    resources.files("tracer").joinpath("data", "report.schema.json").read_text("utf-8")
)
CHECK = jsonschema.Draft202012Validator(SCHEMA)


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("role", list(Role))
@pytest.mark.parametrize(
    "process", ["pewter-silicone", "pewter-spin", "pewter-sand", "silver-lostwax", "as-drawn"]
)
def test_every_report_is_valid(role: Role, process: str) -> None:
    for result in (
        plate(role=role, process=process),
        plate(*all_kinds(), role=role, process=process),
    ):
        report = make_report(result, files={"svg": "plate.svg"})
        CHECK.validate(report)
        assert json.loads(report_text(report)) == report


def _broken_reports() -> list[Any]:
    good = make_report(plate(*all_kinds()), files={})
    edits: list[tuple[str, Any]] = [
        ("verdict", "fine"),
        ("page_origin_on_artwork_mm", [1.0]),
        ("smallest_safe_width_mm", "80"),
        ("surprise", 1),
    ]
    out = []
    for key, value in edits:
        bad: dict[str, Any] = copy.deepcopy(good)
        bad[key] = value
        out.append(pytest.param(bad, id=key))
    bad = copy.deepcopy(good)
    bad["findings"][0]["kind"] = "thin"
    out.append(pytest.param(bad, id="kind"))
    bad = copy.deepcopy(good)
    del bad["findings"][0]["at_mm"]
    out.append(pytest.param(bad, id="no place"))
    return out


@pytest.mark.parametrize("bad", _broken_reports())
def test_the_schema_notices_planted_errors(bad: dict[str, Any]) -> None:
    assert not CHECK.is_valid(bad)


def test_figures_against_the_plate() -> None:
    report: dict[str, Any] = make_report(plate(*all_kinds()), files={})
    drawing = report["drawing"]
    assert (drawing["width_mm"], drawing["height_mm"]) == (WIDTH, HEIGHT)
    assert (drawing["pieces"], drawing["openings"]) == (1, 1)
    assert drawing["area_mm2"] == pytest.approx(WIDTH * HEIGHT - math.pi * 25, abs=1e-4)
    assert drawing["segments"] == {"lines": 3, "arcs": 2, "cubics": 1, "circles": 1}
    assert report["page_origin_on_artwork_mm"] == [LEFT, TOP]
    assert report["pitch_mm"] == PITCH
    assert report["artwork"]["pixels"] == [480, 300]
    assert report["smallest_safe_width_mm"] == 80.0
    assert report["verified"]["least_metal_at_mm"] == [20.0, 10.0]
    assert report["verified"]["places"] == [
        {"side": "gap", "width_mm": 0.41, "at_mm": [20.0, 10.0]}
    ]
    # coverage of the plate without its hole over the artwork of 48 x 30 mm; pixels are whole
    assert report["artwork"]["ink"]["share"] == pytest.approx((800 - math.pi * 25) / 1440, rel=2e-3)


def test_findings_are_told_as_they_are() -> None:
    report: dict[str, Any] = make_report(plate(*all_kinds()), files={})
    assert [f["kind"] for f in report["findings"]] == [str(kind) for kind in Kind]
    first = report["findings"][0]
    assert first["at_mm"] == [4.0, 2.0]  # as given to `finding`
    assert (first["width_mm"], first["limit_mm"], first["sound_from_width_mm"]) == (0.4, 0.8, 80.0)
    assert report["counts"]["by_status"] == {"fixed": 7, "open": 1}
    assert sum(report["counts"]["by_kind"].values()) == len(Kind)
    assert report["counts"]["by_action"]["thickened"] == 2


def test_what_no_size_helps_is_null() -> None:
    hopeless = replace(finding(1, Kind.NECK, 1, 1), sound_from_factor=math.inf)
    report: dict[str, Any] = make_report(plate(hopeless, factor=math.inf), files={})
    assert report["smallest_safe_width_mm"] is None
    assert report["findings"][0]["sound_from_width_mm"] is None
    assert "No size" in report["verdict_text"]
    CHECK.validate(report)


def test_limits_carry_their_evidence() -> None:
    report: dict[str, Any] = make_report(plate(), files={})
    metal = report["process"]["limits"]["metal"]
    # tracer/data/processes.toml, pewter-silicone: line_width = [0.5, 0.8, 1.0], J, L-M
    assert (metal["least"], metal["value"], metal["comfortable"]) == (0.5, 0.8, 1.0)
    assert metal["evidence_text"] == "a judgement: a shop rule, not a standard"
    assert metal["confidence"] == "L-M"
    assert "fin_ratio" in report["process"]["further"]


def test_a_number_that_is_not_finite_is_refused() -> None:
    bad = replace(finding(1, Kind.NECK, 1, 1), area_mm2=math.nan)
    with pytest.raises(ValueError, match="JSON compliant"):
        report_text(make_report(plate(bad), files={}))


def test_failed_report() -> None:
    error = InputError("cut off", hint="send it again", code="E_TRUNCATED")
    report = failed_report("he\u202eron\udcff.png", error)
    CHECK.validate(report)
    text = report_text(report)
    assert text.isascii()
    assert "\\u202e" in text
    assert "\\\\xff" in text  # the byte, written out, its backslash escaped once for JSON
    assert summary_lines(report) == ["he\\u202eron\\xff.png: cut off (send it again)"]


def test_summary_is_short_and_says_it_all() -> None:
    lines = summary_lines(make_report(plate(*all_kinds()), files={"svg": "plate.svg"}))
    text = "\n".join(lines)
    assert len(lines) <= 9
    assert "will not cast as drawn" in text
    assert "1 neck (thickened)" in text
    assert "open: 1 loose piece" in text
    assert "least metal now 5 mm (limit 0.8 mm)" in text
    assert "80 mm wide" in text


@pytest.mark.parametrize(
    ("verdict", "begins"),
    [
        (Verdict.SOUND, "The artwork can be cast as drawn at 40 mm wide"),
        (Verdict.AT_RISK, "As drawn it is at risk at 40 mm wide: 8 places"),
        (Verdict.WILL_NOT_CAST, "As drawn it will not cast at 40 mm wide: 8 places"),
    ],
)
def test_the_verdict_in_one_sentence(verdict: Verdict, begins: str) -> None:
    report = make_report(plate(*all_kinds(), verdict=verdict), files={})
    assert str(report["verdict_text"]).startswith(begins)


@given(st.text(st.characters(), min_size=1, max_size=40))
def test_any_name_survives_in_json_and_stays_on_its_line(name: str) -> None:
    report = make_report(plate(name=name), files={"svg": name})
    text = report_text(report)
    assert text.isascii()
    json.loads(text)["artwork"]["file"].encode("utf-8")  # no lone surrogate is left
    for line in summary_lines(report):
        assert not {unicodedata.category(c) for c in line} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


def test_the_same_result_gives_the_same_text() -> None:
    texts = {report_text(make_report(plate(*all_kinds()), files={})) for _ in range(3)}
    assert len(texts) == 1
