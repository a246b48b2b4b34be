"""Each figure of a plan prints as what it is: geometry, asked for, or the kind of its rule."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.piece.test_plan import ring_png, run
from tracer.piece.values import Rule

OF_THE_PIECE = {
    "size_mm", "volume_mm3", "mass_g", "centroid_mm", "hole.at_mm", "hole.wall_mm",
    "hole.zero_tilt_at_mm", "edge_radius_limit_mm", "edge_radius_limit.at_mm",
    "edge_radius_limit.others.limit_mm", "edge_radius_limit.others.at_mm", "master.size_mm",
    "master.volume_mm3", "master.mesh_volume_mm3", "master.mesh_off_percent", "master.triangles",
    "master.vertices", "master.open_edges", "rubber.volume_mm3", "freezing.cooled_mm2",
    "pour.finest_mm", "pour.cut_off", "designs.layers", "designs.at_mm", "designs.clipped_mm2",
    "findings.at_mm", "findings.width_mm", "findings.limit_mm",
}  # fmt: skip
"""Measured on the piece, or a sum of what is; a finding carries its rule beside it."""
ASKED = {
    "body_mm", "draft_deg", "edge_radius_mm", "fillet_mm", "hole.diameter_mm", "pieces", "cost",
    "alloy.density_g_cm3", "allowance.contraction_percent", "allowance.rubber_percent",
    "allowance.mould_c", "allowance.stock_mm", "master.layer_mm", "designs.height_mm",
    "designs.width_mm", "designs.turn_deg",
}  # fmt: skip
"""Where the user gave them; else some have a rule."""

WISHES = {
    "plain": ("--hole", "4mm"),
    "ring": ("--hole", "ring:AWG18", "--alloy", "tin"),
    "wire": ("--hole", "ring:1.2mm", "--alloy", "bismuth-tin"),
    "cord": ("--hole", "cord:2mm", "--process", "pewter-spin"),
    "asked": ("--hole", "4mm", "--draft", "1", "--fillet", "0.2mm", "--density", "7.3"),
    "calibrated": ("--hole", "none", "--measured", "49.6mm", "--wanted", "50mm"),
}


def numbers(value: Any, path: str = "") -> Iterator[str]:
    """Yield the path of every number; the places of a list share theirs."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from numbers(inner, f"{path}.{name}" if path else name)
    elif isinstance(value, list):
        for inner in value:
            yield from numbers(inner, path)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path


def unfounded(record: dict[str, Any]) -> set[str]:
    """Return the figures of which nobody can tell what they rest on."""
    rests = record["rests_on"]
    return {
        path
        for path in numbers({k: v for k, v in record.items() if k != "rests_on"})
        if path not in OF_THE_PIECE | ASKED
        and not any(path == known or path.startswith(f"{known}.") for known in rests)
    }


@pytest.mark.parametrize("wish", WISHES)
def test_no_figure_is_without_its_rule(wish: str, tmp_path: Path) -> None:
    art = ring_png(tmp_path / "gull.png")
    words = ("--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm", "--art-width", "30mm",
             "--quiet", *WISHES[wish])  # fmt: skip
    assert run(str(art), *words) in (0, 3)
    record = json.loads((tmp_path / "gull-plan.json").read_text(encoding="utf-8"))
    assert unfounded(record) == set()
    rests = record["rests_on"]
    assert {one["rule"] for one in rests.values()} <= {str(rule) for rule in Rule}
    assert all(one["basis"] for one in rests.values())
    # the ruler notices a rule that is gone
    record["rests_on"] = {path: one for path, one in rests.items() if path != "freeze_s"}
    assert unfounded(record) == {"freeze_s"}
    if wish == "ring":
        assert rests["hole.diameter_mm"]["rule"] == "standard"
        assert "B258" in rests["hole.diameter_mm"]["basis"]
    asked = {"draft_deg", "fillet_mm", "alloy.density_g_cm3"}
    assert asked.isdisjoint(rests) if wish == "asked" else asked <= set(rests)
    assert ("allowance.contraction_percent" in rests) == (wish != "calibrated")

    sheet = (tmp_path / "gull-job.html").read_text(encoding="utf-8")
    rows = dict(re.findall(r"<tr><th>([^<]+)</th><td>([^<]*)</td></tr>", sheet))
    for row, path in (("Density", "alloy.density_g_cm3"), ("Freezes in about", "freeze_s"),
                      ("Metal to melt, 1 off", "metal_to_melt_g"), ("Draft", "draft_deg"),
                      ("Rubber, each of two parts", "rubber_ml"), ("Foot fillet", "fillet_mm"),
                      ("Resin for the master", "print_ml"),
                      ("Head for the finest line", "pour.head_mm")):  # fmt: skip
        told = f"({rests[path]['rule']})" if path in rests else ""
        assert rows[row].endswith(told), row
        assert ("(" in rows[row]) == bool(told), row
    marks = dict(re.findall(r"<li><b>([GNVX])[^<]*</b>[^<]*<small>([^<]*)</small>", sheet))
    assert marks["G"] == f" ({rests['pour.gate']['rule']})"
    assert marks.get("V", "") == (f" ({rests['pour.vents']['rule']})" if "V" in marks else "")
