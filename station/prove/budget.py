"""Uncertainty budgets by the GUM (JCGM 100:2008): lines, their combination, and the document of peak and added lag.

Each line is a source with a distribution; its standard uncertainty is the half width over the divisor (4.3) or a standard deviation (4.2).
A contribution is |sensitivity| u; contributions are combined by the root of the sum of squares (5.1.2; the sources are not correlated), the
expanded uncertainty is U = 2 u_c (6.3.3), and the effective degrees of freedom are Welch and Satterthwaite's (G.4.1).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from scipy.special import stdtrit

COVERAGE_FACTOR: Final = 2.0  # JCGM 100:2008, 6.3.3
COVERED: Final = 0.9545  # of a normal law within two standard deviations; JCGM 100:2008, table G.1


class Law(StrEnum):
    """Distribution a line is taken from."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


DIVISORS: Final = {Law.NORMAL: 1.0, Law.RECTANGULAR: math.sqrt(3.0)}  # JCGM 100:2008, 4.3.7


@dataclass(frozen=True, slots=True)
class Line:
    """One source. spread: half width of a rectangular law, standard deviation of a normal one, in `unit`. sensitivity: change of the result
    for a change of the source, unit of the result over `unit`. df: degrees of freedom, infinite where the figure is taken as known.

    counted: False when another line holds it already; then it is shown and adds nothing. origin: where the figure comes from.
    """

    source: str
    law: Law
    spread: float
    unit: str
    sensitivity: float
    origin: str
    df: float = math.inf
    counted: bool = True

    @property
    def u(self) -> float:
        """Standard uncertainty, in `unit`."""
        return self.spread / DIVISORS[self.law]

    @property
    def contribution(self) -> float:
        """In the unit of the result, 0.0 when not counted."""
        return abs(self.sensitivity) * self.u if self.counted else 0.0


@dataclass(frozen=True, slots=True)
class Combined:
    """u: combined standard uncertainty. effective_df: infinite when no line has degrees of freedom."""

    u: float
    effective_df: float

    @property
    def expanded(self) -> float:
        return COVERAGE_FACTOR * self.u

    @property
    def student_factor(self) -> float:
        """Factor for the same coverage when the degrees of freedom are few (JCGM 100:2008, G.4.1: truncated to a whole number)."""
        if math.isinf(self.effective_df):
            return COVERAGE_FACTOR
        return float(stdtrit(max(1.0, math.floor(self.effective_df)), 0.5 * (1.0 + COVERED)))


def combine(lines: Sequence[Line]) -> Combined:
    """Root sum of squares, and Welch-Satterthwaite's effective degrees of freedom."""
    variance = sum(line.contribution**2 for line in lines)
    quartic = sum(line.contribution**4 / line.df for line in lines)
    return Combined(math.sqrt(variance), variance**2 / quartic if quartic > 0.0 else math.inf)


def budget_table(result: str, unit: str, value: float, lines: Sequence[Line], notes: Sequence[str] = ()) -> dict[str, Any]:
    """One budget, JSON-ready; infinite degrees of freedom are null. share: of the combined variance."""
    combined = combine(lines)
    return {
        "result": result,
        "unit": unit,
        "value": value,
        "lines": [_row(line, combined.u) for line in lines],
        "combined_u": combined.u,
        "effective_df": _finite(combined.effective_df),
        "coverage_factor": COVERAGE_FACTOR,
        "expanded_u": combined.expanded,
        "student_factor": combined.student_factor,
        "notes": list(notes),
    }


def _row(line: Line, whole: float) -> dict[str, Any]:
    return {
        "source": line.source,
        "distribution": str(line.law),
        "half_width_or_sd": line.spread,
        "divisor": DIVISORS[line.law],
        "u": line.u,
        "unit": line.unit,
        "sensitivity": line.sensitivity,
        "contribution": line.contribution,
        "share": (line.contribution / whole) ** 2 if whole > 0.0 else 0.0,
        "df": _finite(line.df),
        "counted": line.counted,
        "origin": line.origin,
    }


def _finite(df: float) -> float | None:
    return None if math.isinf(df) else df
