"""The DXF writer, read back by ezdxf's own reader and audit."""

import io
import math

import numpy as np
import pytest
from ezdxf.document import Drawing as Document
from ezdxf.entities.arc import Arc as DxfArc
from ezdxf.entities.line import Line as DxfLine
from ezdxf.entities.spline import Spline
from ezdxf.filemanagement import read

from tests.write.test_svg import RING, circle
from tracer.curves.path import Drawing, Path, Shape, polyline_path
from tracer.curves.segments import Arc, Cubic, Line
from tracer.write.dxf import write_dxf

MIXED = Path(
    (
        Line(0j, 10 + 0j),
        Arc(10 + 0j, 10 + 10j, math.pi / 2),
        Cubic(10 + 10j, 8 + 13j, 2 + 13j, 0 + 10j),
        Arc(10j, 0j, -math.pi / 3),
    )
)


def read_back(drawing: Drawing) -> Document:
    return read(io.StringIO(write_dxf({"raised": drawing}, comment="made by tracer")))


def test_header_and_audit() -> None:
    document = read_back(RING)
    assert document.dxfversion == "AC1024"  # R2010
    assert document.header["$INSUNITS"] == 4  # millimetres, DXF reference
    auditor = document.audit()
    assert not auditor.errors
    assert not auditor.fixes


def test_kinds_are_themselves() -> None:
    document = read_back(Drawing((Shape(MIXED, (circle(5 + 5j, 1, hole=True),)),)))
    kinds = [(e.dxftype(), e.dxf.layer) for e in document.modelspace()]
    assert kinds == [
        ("LINE", "raised"),
        ("ARC", "raised"),
        ("SPLINE", "raised"),
        ("ARC", "raised"),
        ("CIRCLE", "raised-openings"),
    ]


def test_every_entity_lies_on_the_drawing() -> None:
    """Ends and middles, computed by ezdxf from what it read, against ours."""
    document = read_back(Drawing((Shape(MIXED),)))
    for entity, segment in zip(document.modelspace(), MIXED.segments, strict=True):
        if isinstance(entity, DxfLine):
            points = [entity.dxf.start, entity.dxf.end]
        elif isinstance(entity, DxfArc):
            assert isinstance(segment, Arc)
            points = [entity.start_point, entity.end_point][:: 1 if segment.sweep > 0 else -1]
            assert entity.dxf.radius == pytest.approx(abs(segment.start - segment.centre))
        else:
            assert isinstance(entity, Spline)
            tool = entity.construction_tool()
            points = [tool.point(0), tool.point(1)]
            middle = tool.point(0.5)
            on_ours = complex(segment.at(np.array(0.5)))
            assert complex(middle.x, middle.y) == pytest.approx(on_ours)
        found = [complex(p.x, p.y) for p in points]
        assert found == pytest.approx([segment.start, segment.end])


def test_same_drawing_same_bytes() -> None:
    square = Drawing((Shape(polyline_path([0j, 1 + 0j, 1 + 1j, 1j])),))
    texts = {write_dxf({"sunk": square}, comment="made by tracer\nand more") for _ in range(3)}
    assert len(texts) == 1
    assert next(iter(texts)).startswith("999\nmade by tracer and more\n")
