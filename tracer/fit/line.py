"""Straight lines through many spans of points at once."""

import numpy as np

from tracer.curves.segments import ComplexArray, FloatArray


def fit_lines(points: ComplexArray) -> tuple[ComplexArray, ComplexArray, FloatArray]:
    """Fit a line to each row of `points` by least squares of the perpendicular distances.

    Parameters
    ----------
    points
        (P, M) complex, in order along the span.

    Returns
    -------
    (middle, direction, distance)
        (P,) a point on each line, (P,) its unit direction, pointing from the first point to the
        last, and (P, M) the signed distance of each point, positive to the left of the line.

    Notes
    -----
    The angle of the principal axis is half the argument of ``sum((z - mean)^2)``: for complex
    numbers this is the closed form of the 2 x 2 eigenproblem (K. Pearson, "On lines and planes of
    closest fit", Philosophical Magazine 2, 1901).
    """
    middle = points.mean(axis=1)
    centred = points - middle[:, None]
    second = (centred * centred).sum(axis=1)
    direction = np.exp(0.5j * np.angle(second))
    forward = ((points[:, -1] - points[:, 0]) * np.conj(direction)).real >= 0
    direction = np.where(forward, direction, -direction)
    return middle, direction, (centred * np.conj(direction)[:, None]).imag
