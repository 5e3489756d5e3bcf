"""A figure against its limit, with its expanded uncertainty: broken beyond limit + U, doubtful within it, else met (k = 2)."""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np

from station.measure.catalogue import CATALOGUE, Metric
from station.records import Floats
from station.specification import Specification

COVERAGE_FACTOR: Final = 2.0  # JCGM 100:2008, 6.3.3: about 95 %


class Standing(StrEnum):
    MET = "met"
    DOUBTFUL = "doubtful"
    BROKEN = "broken"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Check:
    """One figure against one limit. value is what is compared (already a distance from nominal where there is one)."""

    name: str
    reason: str
    unit: str
    value: float
    u: float
    limit: float

    @property
    def standing(self) -> Standing:
        if math.isnan(self.value):
            return Standing.UNKNOWN
        expanded = 0.0 if math.isnan(self.u) else COVERAGE_FACTOR * self.u
        if self.value > self.limit + expanded:
            return Standing.BROKEN
        return Standing.DOUBTFUL if self.value > self.limit - expanded else Standing.MET

    def document(self) -> dict[str, Any]:
        """JSON-ready; null where a figure is not known."""
        shown = {key: None if not math.isfinite(value) else value for key, value in (("value", self.value), ("u", self.u))}
        return {"name": self.name, "unit": self.unit, **shown, "limit": self.limit, "standing": str(self.standing)}


def mean_and_u(values: Floats, u: Floats, common_u: float = 0.0) -> tuple[float, float]:
    """Mean of a group's figures and its standard uncertainty (JCGM 100:2008, 4.2 and 5.1), NaN values left out.

    Their scatter or, where larger, their own stated uncertainty, over sqrt(n), and what they share (common_u), which no mean lessens.
    """
    known = values[~np.isnan(values)]
    if not len(known):
        return math.nan, math.nan
    own = np.sqrt(np.maximum(u[~np.isnan(values)] ** 2 - common_u**2, 0.0))
    stated = float(np.sqrt(np.mean(own**2))) if len(own) and not np.isnan(own).any() else 0.0
    scatter = float(np.std(known, ddof=1)) if len(known) > 1 else 0.0
    return float(np.mean(known)), math.hypot(max(scatter, stated) / math.sqrt(len(known)), common_u)


def group_checks(columns: dict[str, Floats], spec: Specification, u_rest: float) -> list[Check]:
    """All limits of the catalogue for one group. columns: its used flicks. u_rest: of the run's rest, counts."""
    return [_check(metric, columns, spec, u_rest) for metric in CATALOGUE if metric.limit]


def _check(metric: Metric, columns: dict[str, Floats], spec: Specification, u_rest: float) -> Check:
    limit = float(getattr(spec.limits, metric.limit))
    values = columns[metric.name]
    if metric.size:
        values = np.abs(values)
    common = u_rest if metric.unit == "counts" and (metric.nominal or metric.size) else 0.0
    value, u = mean_and_u(values, columns[f"u_{metric.name}"], common)
    if metric.nominal:
        value = abs(value - float(getattr(spec.stick, metric.nominal)))
    if metric.name == "return_s" and np.isnan(values).any():
        value = math.inf  # a stick that never comes down to 10 % of its reach
    return Check(metric.name, metric.reason, metric.unit, value, u, limit)
