"""Lengths: what a user may write, and how millimetres, inches and CSS pixels relate."""

import math
import re

from tracer.errors import UsageError

MM_PER_INCH = 25.4
"""Exact by definition (international inch, 1959)."""

CSS_PX_PER_MM = 96 / MM_PER_INCH
"""W3C CSS Values and Units, "Absolute lengths": 1in = 2.54cm = 96px."""

PT_PER_MM = 72 / MM_PER_INCH
"""W3C CSS Values and Units, "Absolute lengths": 1pt = 1/72 in."""

LARGEST_LENGTH_MM = 2000.0
SMALLEST_LENGTH_MM = 1e-4
SMALLEST_PIECE_MM = 0.1
"""Of a finished outline; less is a slip of the unit."""

_UNITS_MM = {"": 1.0, "mm": 1.0, "cm": 10.0, "in": MM_PER_INCH, "um": 1e-3, "µm": 1e-3}
_LENGTH = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))\s*(mm|cm|in|um|µm)?", re.ASCII)


def parse_length(
    text: str, *, option: str, zero: bool = False, least: float = SMALLEST_LENGTH_MM
) -> float:
    """Read a length such as ``50mm``, ``5cm``, ``2in`` or ``50`` (mm).

    Stricter than `float`: no ``nan``, ``inf``, exponents, underscores or digits of other scripts.

    Parameters
    ----------
    text
        What the user wrote.
    option
        Name of the option, for the message.
    zero
        Whether 0 is allowed.
    least
        The smallest length in mm that can be meant.

    Returns
    -------
    float
        The length in mm, within `least` to 2000 mm (or exactly 0 if allowed).

    Raises
    ------
    UsageError
        If `text` is no length or out of range.

    Examples
    --------
    >>> parse_length("2in", option="--width")
    50.8
    >>> parse_length("1,5", option="--width")
    Traceback (most recent call last):
    tracer.errors.UsageError: --width: "1,5" is not a length (use a point: 1.5)
    """
    match = _LENGTH.fullmatch(text.strip())
    if match is None:
        swapped = text.strip().replace(",", ".", 1)
        comma = "," in text and _LENGTH.fullmatch(swapped) is not None
        hint = f"use a point: {swapped}" if comma else "write it like 50mm, 5cm, 2in or 50"
        shown = text if len(text) <= 40 else text[:37] + "..."
        raise UsageError(f'"{shown}" is not a length', hint=hint, subject=option)
    length = float(match[1]) * _UNITS_MM[match[2] or ""]
    if zero and length == 0:
        return 0.0
    if not least <= length <= LARGEST_LENGTH_MM:
        raise UsageError(
            f'"{text.strip()[:40]}" is out of range',
            hint=f"from {least:g} mm to {LARGEST_LENGTH_MM:g} mm",
            subject=option,
        )
    return length


def shown_size(length_mm: float) -> str:
    """Return a size from which on something holds: rounded up, since below it does not.

    Tenths of a millimetre up to 100 mm, whole millimetres above.

    >>> shown_size(42.731), shown_size(62.4), shown_size(124.29)
    ('42.8 mm', '62.4 mm', '125 mm')
    """
    steps = 10 if length_mm <= 100 else 1
    # what arithmetic leaves behind the sixth decimal is no reason for a larger size
    return shown_length(math.ceil(round(length_mm * steps, 6)) / steps)


def shown_length(length_mm: float) -> str:
    """Return a length for people: two decimals, no needless zeros.

    >>> shown_length(0.8), shown_length(49.996), shown_length(0.004)
    ('0.8 mm', '50 mm', '0.004 mm')
    """
    digits = 2 if abs(length_mm) >= 0.05 or length_mm == 0 else 3
    text = f"{length_mm:.{digits}f}".rstrip("0").rstrip(".")
    return f"{text if text not in ('', '-0') else '0'} mm"
