"""Figures of a calibration as people read them."""

import math
from typing import Final

SCALES: Final = {
    "s": (1e3, "ms", 3),
    "V": (1e3, "mV", 2),
    "share": (1e2, "%", 3),
    "share/deg": (1e2, "%/deg", 4),
    "deg": (1.0, "deg", 3),
    "deg/s": (1.0, "deg/s", 0),
    "ohm": (1e-3, "kohm", 0),
    "S": (1e6, "uS", 4),
    "1": (1.0, "", 3),
}
"""Unit of the document: factor, unit shown, digits after the point."""


def shown(value: float, unit: str) -> str:
    """A value with its unit; "not known" where it is NaN."""
    if not math.isfinite(value):
        return "not known"
    factor, name, digits = SCALES[unit]
    return f"{value * factor:.{digits}f} {name}".rstrip()


def shown_range(least: float | None, most: float | None, unit: str) -> str:
    """The range a figure is held against."""
    if least is None and most is None:
        return "any value"
    if least is None:
        return f"at most {shown(most or 0.0, unit)}"
    if most is None:
        return f"at least {shown(least, unit)}"
    return f"{shown(least, unit)} to {shown(most, unit)}"
