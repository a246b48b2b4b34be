"""The files of a plan: their names and contents. Touches no disk."""

from typing import Any

from tracer.piece.drawings import plan_svg
from tracer.piece.jobsheet import job_page
from tracer.piece.meshfile import write_3mf, write_stl
from tracer.piece.plan import Plan
from tracer.piece.plandxf import plan_dxf
from tracer.piece.record import GENERATOR, make_record, record_text

SUFFIXES = ("-plan.svg", "-plan.dxf", "-master.3mf", "-master.stl", "-job.html", "-plan.json")
"""The record comes last: it is there only when all the others are."""


def plan_files(plan: Plan) -> tuple[dict[str, str | bytes], dict[str, Any]]:
    """Return the contents of every file of a plan by name, and the plan as plain data."""
    names = [plan.wish.name + suffix for suffix in SUFFIXES]
    record = make_record(plan, names)
    contents = (
        plan_svg(plan, mark=GENERATOR),
        plan_dxf(plan, mark=GENERATOR),
        write_3mf(plan.mesh, title=f"{plan.wish.name}, master", mark=GENERATOR),
        write_stl(plan.mesh, mark=GENERATOR),
        job_page(plan, record),
        record_text(record),
    )
    return dict(zip(names, contents, strict=True)), record
