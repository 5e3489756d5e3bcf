"""Preferred values, IEC 60063: E3, E6, E12 and E24 (list from memory; checked values in the tests)."""

from typing import Final

from station.errors import MarkingError

E24: Final = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
STEPS: Final = {"E3": 8, "E6": 4, "E12": 2, "E24": 1}  # IEC 60063: the coarser series leave out values of E24


def series(name: str, from_f: float, to_f: float) -> tuple[float, ...]:
    """Values of a series from from_f to to_f, both included, farads ascending. Raises MarkingError for an unknown series or empty range."""
    if name not in STEPS:
        raise MarkingError(f"series {name!r} is unknown; expected one of {', '.join(STEPS)}", value=name)
    if not 0.0 < from_f <= to_f:
        raise MarkingError(f"range {from_f:g} to {to_f:g} F holds no values; expected a positive lower end at most the upper", value=from_f)
    first, last = _decade(from_f) - 1, _decade(to_f) + 1
    every = (float(f"{mantissa}e{decade - 1}") for decade in range(first, last + 1) for mantissa in E24[:: STEPS[name]])
    return tuple(value for value in every if from_f * (1 - 1e-9) <= value <= to_f * (1 + 1e-9))


def _decade(farads: float) -> int:
    return int(f"{farads:e}".split("e")[1])


def next_up(farads: float, name: str = "E6") -> float:
    """Smallest value of the series not below farads."""
    return series(name, farads, farads * 10.0)[0]


def next_down(farads: float, name: str = "E6") -> float:
    """Largest value of the series not above farads."""
    return series(name, farads / 10.0, farads)[-1]


def nearest(farads: float, name: str = "E6") -> float:
    """Value of the series nearest by ratio."""
    low, high = next_down(farads, name), next_up(farads, name)
    return low if farads * farads <= low * high else high
