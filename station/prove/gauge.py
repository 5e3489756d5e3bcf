"""Evaluate a gauge study: how much of the spread is the measuring chain's own, and from where."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from station.errors import UsageError
from station.prove.gauge_anova import Anova, Components, Line, analyse, components
from station.prove.gauge_intervals import CONFIDENCE, Interval, Intervals, intervals
from station.prove.gauge_ranges import range_components
from station.prove.gauge_study import GaugeStudy

FORMAT: Final = "restpoint-gauge/1"
CATEGORY_FACTOR: Final = 1.41  # contract of the gauge command; sqrt(2) to two decimals
SPREAD_SD: Final = 6.0  # a tolerance is compared with six standard deviations (common practice, no source)
INTERVAL_METHOD: Final = (
    "modified large sample (Graybill-Wang for sums, Ting et al. for differences, Burdick et al. for part against gauge); "
    "repeatability by chi-square, exact unless the interaction was pooled"
)

Method = Literal["anova", "range"]


@dataclass(frozen=True, slots=True)
class GaugeResult:
    """What a study says. anova, intervals: None for the range method. tolerance: width, in the unit of the values."""

    method: Method
    shape: tuple[int, int, int]
    components: Components
    tolerance: float | None
    anova: Anova | None
    intervals: Intervals | None

    @property
    def sds(self) -> dict[str, float]:
        """Standard deviations by name, in the unit of the values."""
        found = self.components
        variances = {
            "repeatability": found.repeatability,
            "reproducibility": found.operator,
            "interaction": found.interaction,
            "gauge": found.gauge,
            "part": found.part,
            "total": found.total,
        }
        return {name: math.sqrt(variance) for name, variance in variances.items()}

    @property
    def distinct_categories(self) -> int | None:
        """Whole part of `categories`; None when the gauge shows no spread at all."""
        return None if self.categories is None else math.floor(self.categories)

    @property
    def categories(self) -> float | None:
        """1.41 part_sd / gauge_sd, unrounded: the two methods straddle a whole number more often than one would think."""
        found = self.components
        return CATEGORY_FACTOR * math.sqrt(found.part / found.gauge) if found.gauge > 0.0 else None

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader must know beside the figures, one sentence each."""
        found = []
        if self.shape[1] == 1:
            found.append("one operator: reproducibility cannot be seen, and gauge_sd is repeatability alone")
        if self.method == "range":
            found.append("the range method does not separate the interaction; it is part of the other figures")
        if self.anova is not None and self.anova.pooled is not None and self.anova.interaction.df:
            found.append("the interaction was pooled into repeatability, its p being above 0.25")
        if self.components.gauge == 0.0:
            found.append("the gauge shows no spread at all: values this coarse cannot prove it")
        return tuple(found)


def evaluate(study: GaugeStudy, method: Method = "anova", tolerance: float | None = None) -> GaugeResult:
    """Evaluate by two-way crossed ANOVA or by ranges. Raises UsageError for a tolerance that is no positive width."""
    if tolerance is not None and not 0.0 < tolerance < math.inf:
        raise UsageError(f"tolerance is {tolerance}; expected a width above 0, in the unit of the values")
    p, o, r = study.values.shape
    if method == "range":
        return GaugeResult(method, (p, o, r), range_components(study), tolerance, None, None)
    anova = analyse(study)
    return GaugeResult(method, (p, o, r), components(anova), tolerance, anova, intervals(anova))


def gauge_document(result: GaugeResult) -> dict[str, Any]:
    """JSON-ready document by the contract of the gauge command, with percentages, table and intervals beside it."""
    sds = result.sds
    p, o, r = result.shape
    return {
        "format": FORMAT,
        "method": result.method,
        **{f"{name}_sd": sd for name, sd in sds.items()},
        "gauge_percent": _percent(sds["gauge"], sds["total"]),
        "distinct_categories": result.distinct_categories,
        "parts": p,
        "operators": o,
        "trials": r,
        "percent_of_study": {name: _percent(sd, sds["total"]) for name, sd in sds.items()},
        "percent_of_variance": {name: _percent(sd**2, sds["total"] ** 2) for name, sd in sds.items()},
        "tolerance": result.tolerance,
        "percent_of_tolerance": _of_tolerance(sds, result.tolerance),
        "anova": _table(result.anova) if result.anova else None,
        "intervals": _intervals(result.intervals) if result.intervals else None,
        "notes": list(result.notes),
    }


def _of_tolerance(sds: Mapping[str, float], tolerance: float | None) -> dict[str, float | None] | None:
    return None if tolerance is None else {name: _percent(SPREAD_SD * sd, tolerance) for name, sd in sds.items()}


def _percent(share: float, whole: float) -> float | None:
    return 100.0 * share / whole if whole > 0.0 else None


def _table(anova: Anova) -> dict[str, Any]:
    lines = {"part": anova.part, "operator": anova.operator, "interaction": anova.interaction, "repeatability": anova.error}
    shown = {name: _line(line) for name, line in lines.items()}
    return {"pooled": anova.pooled is not None, "lines": shown, "pooled_repeatability": _line(anova.pooled) if anova.pooled else None}


def _line(line: Line) -> dict[str, float | None]:
    return {"df": line.df, "ss": line.ss, "ms": line.ms, "f": line.f, "p": line.p}


def _intervals(found: Intervals) -> dict[str, Any]:
    ratio = found.ratio
    return {
        "confidence": CONFIDENCE,
        "method": INTERVAL_METHOD,
        "repeatability_sd": _pair(found.repeatability_sd),
        "reproducibility_sd": _pair(found.reproducibility_sd),
        "interaction_sd": _pair(found.interaction_sd),
        "gauge_sd": _pair(found.gauge_sd),
        "part_sd": _pair(found.part_sd),
        "total_sd": _pair(found.total_sd),
        "gauge_percent": _pair((_gauge_percent(ratio[1]), _gauge_percent(ratio[0]))) if ratio else None,
        "distinct_categories": _pair((_of_ratio(ratio[0]), _of_ratio(ratio[1]))) if ratio else None,
    }


def _gauge_percent(ratio: float) -> float:
    return 100.0 / math.sqrt(1.0 + ratio)


def _of_ratio(ratio: float) -> int:
    return math.floor(CATEGORY_FACTOR * math.sqrt(ratio))


def _pair(pair: Interval | None) -> dict[str, float] | None:
    return {"lower": pair[0], "upper": pair[1]} if pair else None
