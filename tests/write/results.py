"""Results built by hand from known geometry, for the tests of report and page."""

import math
from dataclasses import replace

import numpy as np
import shapely

from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.regions import as_region
from tracer.curves.segments import Arc, Cubic, Line
from tracer.model import (
    Artwork,
    Coverage,
    Decision,
    Edge,
    EdgeNoise,
    Finding,
    Fitted,
    Frame,
    Kind,
    Mended,
    Region,
    Result,
    SizePoint,
    Verdict,
    Verified,
    Width,
)
from tracer.process import limits_for, load_process
from tracer.settings import Grade, Role, Settings, Size, SizeBy
from tracer.write.svg import write_svg

EMPTY = shapely.MultiPolygon()

WIDTH, HEIGHT, PITCH = 40.0, 20.0, 0.1
LEFT, TOP = 3.0, 5.0  # of the plate on the artwork, mm, y down
COLUMNS, ROWS = 480, 300

_ACTIONS = {
    Kind.NECK: "thickened to 0.8 mm",
    Kind.HAIRLINE: "thickened to 0.8 mm",
    Kind.SPUR: "removed",
    Kind.NARROW_GAP: "widened to 0.8 mm",
    Kind.SMALL_ISLAND: "removed",
    Kind.SMALL_OPENING: "filled",
    Kind.SHARP_TIP: "blunted to a radius of 0.4 mm",
    Kind.LOOSE_PIECE: "left open: a separate casting",
}


def circle(centre: complex, radius: float, *, hole: bool = False) -> Path:
    """Return a whole circle as two arcs, turning as an outer path or as a hole does."""
    sweep = -math.pi if hole else math.pi
    right, left = centre + radius, centre - radius
    return Path((Arc(right, left, sweep), Arc(left, right, sweep)))


def plate_drawing() -> Drawing:
    """Return a plate of 40 x 20 mm with one cubic side replaced by its chord, and a hole of r 5."""
    left, top = LEFT, ROWS * PITCH - TOP
    a, b = complex(left, top - HEIGHT), complex(left + WIDTH, top - HEIGHT)
    c, d = complex(left + WIDTH, top), complex(left, top)
    cubic = Cubic(c, c + (d - c) / 3, c + (d - c) * 2 / 3, d)
    outer = Path((Line(a, b), Line(b, c), cubic, Line(d, a)))
    return Drawing((Shape(outer, (circle((a + c) / 2, 5.0, hole=True),)),))


def plate_region() -> Region:
    """Return the same plate as a region."""
    left, top = LEFT, ROWS * PITCH - TOP
    plate = shapely.box(left, top - HEIGHT, left + WIDTH, top)
    hole = shapely.Point(left + WIDTH / 2, top - HEIGHT / 2).buffer(5.0, quad_segs=64)
    return as_region(plate.difference(hole))


def finding(number: int, kind: Kind, x: float, y: float, status: str = "fixed") -> Finding:
    """Return a finding at (x, y) mm on the page, a square of 0.6 mm about it its place."""
    at = (LEFT + x, ROWS * PITCH - TOP - y)
    place = as_region(shapely.Point(at).buffer(0.3, cap_style="square"))
    return Finding(
        number=number,
        kind=kind,
        at=at,
        width_mm=0.4,
        limit_mm=0.8,
        least_mm=0.5,
        area_mm2=0.36,
        action=_ACTIONS[kind],
        status=status,
        sound_from_factor=2.0,
        place=place,
        changed=place if status == "fixed" else EMPTY,
    )


def all_kinds() -> tuple[Finding, ...]:
    """Return a finding of every kind, along the plate; the loose piece stays open."""
    return tuple(
        finding(i, kind, 4.0 * i, 2.0, "open" if kind is Kind.LOOSE_PIECE else "fixed")
        for i, kind in enumerate(Kind, start=1)
    )


def plate(
    *findings: Finding,
    name: str = "plate.png",
    role: Role = Role.RAISED,
    process: str = "pewter-silicone",
    verdict: Verdict | None = None,
    factor: float = 2.0,
) -> Result:
    """Return the result of a plate of known size with a round opening and some findings."""
    values = np.zeros((ROWS, COLUMNS), dtype=np.float32)
    rows, columns = np.indices(values.shape) + 0.5
    x, y = columns * PITCH - LEFT, rows * PITCH - TOP
    inside = (x > 0) & (x < WIDTH) & (y > 0) & (y < HEIGHT)
    values[inside & (np.hypot(x - WIDTH / 2, y - HEIGHT / 2) > 5)] = 1
    values.setflags(write=False)
    region = plate_region()
    settings = Settings(Size(SizeBy.WIDTH, WIDTH), process=process, role=role)
    loaded = load_process(process)
    if verdict is None:
        verdict = Verdict.WILL_NOT_CAST if findings else Verdict.SOUND
    centre = (LEFT + WIDTH / 2, ROWS * PITCH - TOP - HEIGHT / 2)
    decisions = (
        Decision("ink", "The alpha channel was taken as ink.", "--ink"),
        Decision("density", "The file's density would give 41 mm.", "--width", True, "W_DENSITY"),
    )
    sizes = tuple(
        SizePoint(w, max(0, 9 - int(w) // 10), max(0.0, 0.12 - w / 700), v)
        for w, v in (
            (20.0, Verdict.WILL_NOT_CAST),
            (40.0, Verdict.WILL_NOT_CAST),
            (60.0, Verdict.AT_RISK),
            (80.0, Verdict.SOUND),
        )
    )
    return Result(
        artwork=Artwork(
            name=name,
            colour=np.zeros((ROWS, COLUMNS, 3), dtype=np.uint8),
            alpha=np.asarray(values * 255, dtype=np.uint8),
            density_per_mm=11.811,
            file_format="PNG",
            sha256="0" * 64,
        ),
        coverage=Coverage(values),
        noise=EdgeNoise(Edge.SHARP, 0.02, 0.0, 0.1),
        frame=Frame(PITCH, ROWS),
        settings=settings,
        process=loaded,
        limits=limits_for(loaded, role, settings.overrules),
        drawn=region,
        mended=Mended(region, findings, verdict, factor if findings else 0.0),
        fitted=Fitted(plate_drawing(), ("2 sides made parallel.",)),
        verified=Verified(
            Width(5.0, centre), None, (("gap", Width(0.41, centre)),), "medial balls, 0.01 mm."
        ),
        tolerance_mm=0.01,
        sizes=sizes if findings else (),
        decisions=decisions,
        svg=write_svg(plate_drawing(), unit="px", title=name, description=""),
    )


def large_plate(width_mm: float) -> Result:
    """Return a bare rectangle of `width_mm`, half as high, as a result."""
    small = plate()
    corners = [0j, complex(width_mm, 0), complex(width_mm, width_mm / 2), complex(0, width_mm / 2)]
    drawing = Drawing((Shape(polyline_path(corners)),))
    region = as_region(shapely.box(0, 0, width_mm, width_mm / 2))
    return replace(
        small,
        drawn=region,
        mended=Mended(region, (), Verdict.SOUND, 0.0),
        fitted=Fitted(drawing, ()),
        settings=replace(small.settings, grade=Grade.LEAST),
        frame=Frame(width_mm / COLUMNS, ROWS),
    )
