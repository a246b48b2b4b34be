"""What is found and mended at one size, at another: everything grows with the piece."""

import math
from dataclasses import replace

import numpy as np
import shapely

from tracer.curves.regions import valid_region
from tracer.model import Finding, Mended, Region


def scaled(region: Region, factor: float) -> Region:
    """Return a region `factor` times as large, about the origin."""
    if math.isclose(factor, 1, abs_tol=1e-12):
        return region
    return valid_region(shapely.transform(region, lambda points: np.asarray(points * factor)))


def scaled_mended(mended: Mended, factor: float) -> Mended:
    """Return a mended region and the places of its findings; widths stay as measured."""
    findings = scaled_findings(mended.findings, factor)
    return replace(mended, region=scaled(mended.region, factor), findings=findings)


def scaled_findings(findings: tuple[Finding, ...], factor: float) -> tuple[Finding, ...]:
    """Return findings with their places moved; widths stay as measured."""
    return tuple(
        replace(
            finding,
            at=(finding.at[0] * factor, finding.at[1] * factor),
            place=scaled(finding.place, factor),
            changed=scaled(finding.changed, factor),
        )
        for finding in findings
    )
