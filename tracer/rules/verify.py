"""Measure a written drawing, by a method that shares no code with the repair."""

from tracer.curves.path import Drawing
from tracer.model import Verified
from tracer.process import Limits
from tracer.settings import Role


def verify_drawing(drawing: Drawing, role: Role, limits: Limits) -> Verified:
    """Measure the least width of metal and of gap in a drawing."""
    return Verified(None, None, (), "not measured")
