"""Thin metal: thicken along the centre line or remove; sharp tips: blunt."""

import shapely

from tracer.model import Kind
from tracer.rules.patches import Patch, losable, touching
from tracer.rules.strips import joins, widened
from tracer.rules.survey import Defect, Sizes, Survey
from tracer.settings import Repairs


def thicken(
    found: Survey,
    defects: list[Defect],
    sizes: Sizes,
    repairs: Repairs,
    *,
    sunk: bool,
    tolerance: float,
) -> list[Patch]:
    """Return the patches for necks, hairlines and spurs.

    Necks are thickened whatever the choice: to cut one would part the piece.
    """
    half = (sizes.metal + sizes.margin) / 2
    patches, cuts, thick = [], [], []
    for defect in defects:
        if defect.thin is None or defect.kind is Kind.SHARP_TIP:
            continue
        if repairs.thin == "remove" and defect.kind is not Kind.NECK:
            cuts.append(defect)
        else:
            patches.append(Patch(widened(found, defect, half, tolerance), add=True))
            thick.append(defect)
    patches += [Patch(shape, add=True) for shape in joins(found.axis, thick, half)]
    if cuts:
        parts = losable(found.region, half, tolerance, sunk=sunk)
        patches += [Patch(touching(parts, d.place, tolerance), add=False) for d in cuts]
    return patches


def blunt_tips(
    found: Survey,
    defects: list[Defect],
    sizes: Sizes,
    repairs: Repairs,
    *,
    sunk: bool,
    tolerance: float,
) -> list[Patch]:
    """Return the patches that round tips to the radius that comes out of the mould."""
    if repairs.tips == "leave" or not defects:
        return []
    half = (sizes.metal + sizes.margin) / 2
    parts = losable(found.region, half, tolerance, sunk=sunk)
    return [
        Patch(
            touching(parts, d.place, tolerance).intersection(shapely.buffer(d.place, half)),
            add=False,
        )
        for d in defects
    ]
