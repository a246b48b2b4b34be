"""A plan as plain data and as JSON text. At finished size unless a name says master."""

import json
from collections.abc import Sequence
from typing import Any

from tracer import __version__
from tracer.model import Finding
from tracer.piece.amounts import RUBBER_SPARE
from tracer.piece.basis import SCALE_UNCERTAINTY, bases_of
from tracer.piece.plan import Plan
from tracer.piece.values import Note
from tracer.units import shown_length
from tracer.write.shown import plain

SCHEMA_VERSION = "1.0"
GENERATOR = "made by tracer"
"""Stands at the head of the file, so that an earlier plan is known as ours."""


def make_record(plan: Plan, files: Sequence[str]) -> dict[str, Any]:
    """Return a plan as plain data; every number finite, keys in a fixed order."""
    width, height, thickness = plan.size_mm
    scale = plan.allowance.master_scale
    first = plan.edge_rules[0]
    amounts, mass = plan.amounts, plan.mass
    return {
        "generator": GENERATOR,
        "tool": "tracer",
        "version": __version__,
        "schema": "tracer-plan",
        "schema_version": SCHEMA_VERSION,
        "name": plain(plan.wish.name),
        "files": list(files),
        "process": plan.wish.settings.process,
        "alloy": {
            "name": plan.metal.name,
            "label": plan.metal.label,
            "density_g_cm3": amounts.density,
            "density_by": amounts.density_by,
            "density_by_composition_g_cm3": _n(plan.metal.by_composition, 4),
        },
        "size_mm": [_n(width), _n(height), _n(thickness)],
        "body_mm": plan.piece.body_mm,
        "volume_mm3": _n(mass.volume_mm3),
        "mass_g": _n(amounts.mass_g),
        "centroid_mm": [_n(c) for c in mass.centroid_mm],
        "hole": _hole(plan),
        "tilt_deg": None if plan.tilt_deg is None else _n(plan.tilt_deg),
        "draft_deg": plan.piece.draft_deg,
        "edge_radius_mm": plan.piece.edge_radius_mm,
        "edge_radius_limit_mm": plan.edge_limit_mm,
        "edge_radius_limit": {
            "set_by": first.name,
            "text": first.text,
            "at_mm": _pair(first.at),
            "rule": str(first.rule),
            "others": [
                {
                    "set_by": rule.name,
                    "limit_mm": _n(rule.limit_mm),
                    "at_mm": _pair(rule.at),
                    "text": rule.text,
                    "rule": str(rule.rule),
                }
                for rule in plan.edge_rules[1:]
            ],
        },
        "fillet_mm": _n(plan.piece.fillet_mm),
        "fillet_limit_mm": _n(plan.fillet_limit_mm),
        "master_scale": _n(scale, 6),
        "allowance": _allowance(plan),
        "master": {
            "size_mm": [_n(x * scale) for x in _stocked_size(plan)],
            "volume_mm3": _n(plan.master_mm3),
            "mesh_volume_mm3": _n(plan.mesh.volume_mm3),
            "mesh_off_percent": _n(100 * (plan.mesh.volume_mm3 / plan.master_mm3 - 1)),
            "triangles": len(plan.mesh.triangles),
            "vertices": len(plan.mesh.vertices),
            "open_edges": plan.mesh.open_edges(),
            "layer_mm": plan.wish.layer_mm,
        },
        "rubber_ml": _n(amounts.rubber_ml),
        "rubber": {
            "volume_mm3": _n(amounts.rubber_mm3),
            "each_part_ml": _n(amounts.rubber_ml / 2),
            "side_mm": plan.filling.side_mm,
            "base_mm": plan.filling.base_mm,
            "spare_percent": _n(100 * RUBBER_SPARE),
        },
        "print_ml": _n(amounts.print_ml),
        "print_pla_g": _n(amounts.print_g),
        "pieces": plan.wish.pieces,
        "metal_to_melt_g": _n(amounts.melt_g),
        "freeze_s": _n(amounts.freeze_s, 1),
        "freezing": {
            "constant_s_mm2": _n(amounts.freeze_constant),
            "cooled_mm2": _n(amounts.cooled_mm2),
            "open_back": plan.filling.open_back,
        },
        "cost": None if amounts.cost is None else _n(amounts.cost, 2),
        "pour": _pour(plan),
        "designs": [
            {
                "artwork": plain(design.artwork),
                "use": design.level.name,
                "height_mm": design.level.height_mm,
                "layers": _n(abs(design.level.height_mm) * scale / plan.wish.layer_mm, 2),
                "width_mm": _n(design.width_mm),
                "at_mm": _pair(design.at),
                "turn_deg": design.turn_deg,
                "clipped_mm2": _n(design.clipped_mm2),
            }
            for design in plan.designs
        ],
        "rests_on": {
            path: {"rule": str(basis.rule), "basis": basis.text}
            for path, basis in bases_of(plan).items()
        },
        "findings": [
            *(_note(note) for note in plan.notes),
            *(_finding(f, at) for design in plan.designs for f, at in design.findings),
        ],
    }


def record_text(record: dict[str, Any]) -> str:
    """Return the record as JSON text."""
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def summary_lines(record: dict[str, Any]) -> list[str]:
    """Return what a person at the terminal wants to know."""
    width, height, thick = record["size_mm"]
    lines = [
        (
            f"{record['name']}: {width:.2f} x {height:.2f} x {thick:.2f} mm,"
            f" {record['mass_g']:.1f} g of {record['alloy']['label']}"
        )
    ]
    hole = record["hole"]
    if hole:
        x, y = hole["at_mm"]
        lines.append(
            f"hole {shown_length(hole['diameter_mm'])} at {x:.2f},{y:.2f},"
            f" wall {shown_length(hole['wall_mm'])}; hangs {record['tilt_deg']:.1f}° off upright"
        )
    limit = record["edge_radius_limit"]
    lines += [
        (
            f"largest rounding of the edge {shown_length(record['edge_radius_limit_mm'])}:"
            f" {limit['text']}"
        ),
        (
            f"master x {record['master_scale']:.5f}; melt {record['metal_to_melt_g']:.0f} g,"
            f" rubber {record['rubber_ml']:.0f} ml, freezes in about {record['freeze_s']:.0f} s"
        ),
    ]
    for found in record["findings"]:
        if found["status"] == "open":
            lines.append(f"open: {found['text']} [{found['rule']}]")
    return lines


def _hole(plan: Plan) -> dict[str, Any] | None:
    hole = plan.hole
    if hole is None:
        return None
    return {
        "at_mm": _pair(hole.at),
        "diameter_mm": _n(hole.diameter_mm),
        "wall_mm": _n(hole.wall_mm),
        "for": hole.label,
        "placed_by": "tracer" if hole.placed_by == "us" else "you",
        "ear": hole.has_ear,
        "ring_inside_mm": _n(hole.ring_inside_mm),
        "zero_tilt_at_mm": _pair(hole.level_at),
    }


def _allowance(plan: Plan) -> dict[str, Any]:
    allowance = plan.allowance
    return {
        "contraction_percent": _n(100 * allowance.contraction),
        "rubber_percent": _n(100 * allowance.rubber),
        "mould_c": allowance.mould_c,
        "stock_mm": allowance.stock_mm,
        "calibrated": allowance.calibrated is not None,
        "uncertainty_percent": _n(100 * SCALE_UNCERTAINTY),
    }


def _pour(plan: Plan) -> dict[str, Any]:
    pour = plan.pour
    return {
        "gate": {
            "at_mm": _pair(pour.gate),
            "section_mm": _n(pour.gate_width_mm),
        },
        "head_mm": _n(pour.head_mm, 1),
        "finest_mm": _n(pour.finest_mm),
        "necks": [
            {
                "at_mm": _pair(neck.at),
                "width_mm": _n(neck.width_mm),
                "feeds_mm": _n(neck.beyond_mm),
                "modulus_ratio": _n(neck.modulus_ratio),
            }
            for neck in pour.necks
        ],
        "cut_off": [_pair(at) for at in pour.cut_off],
        "vents": [
            {
                "at_mm": _pair(vent.at),
                "width_mm": _n(vent.width_mm),
                "depth_mm": _n(vent.depth_mm),
            }
            for vent in pour.vents
        ],
    }


def _note(note: Note) -> dict[str, Any]:
    return {
        "kind": note.code,
        "text": note.text,
        "rule": str(note.rule),
        "basis": note.basis,
        "at_mm": None if note.at is None else _pair(note.at),
        "status": "open" if note.is_open else "note",
    }


def _finding(finding: Finding, at: tuple[float, float]) -> dict[str, Any]:
    kind = str(finding.kind).replace("-", " ")
    wide = f" of {shown_length(finding.width_mm)}" if finding.width_mm else ""
    return {
        "kind": str(finding.kind),
        "text": f"{kind}{wide}: {plain(finding.action)}",
        "rule": "shop rule",
        "basis": f"limit {shown_length(finding.limit_mm)} of the process",
        "at_mm": _pair(at),
        "status": finding.status,
        "width_mm": _n(finding.width_mm),
        "limit_mm": _n(finding.limit_mm),
    }


def _stocked_size(plan: Plan) -> tuple[float, float, float]:
    width, height, thickness = plan.size_mm
    stock = plan.allowance.stock_mm
    return width + 2 * stock, height + 2 * stock, thickness + 2 * stock


def _pair(at: tuple[float, float]) -> list[float]:
    return [_n(at[0]), _n(at[1])]


def _n(value: float, decimals: int = 4) -> float:
    return round(value, decimals) + 0.0
