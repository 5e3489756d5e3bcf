"""What a planned gauge study is held to, and the tolerance each figure is compared with."""

import math
from dataclasses import dataclass
from typing import Final

from station.specification import Specification

TWO_SIDED: Final = {"rest_counts": "rest_error_counts", "reach_counts": "reach_error_counts", "rest_shift_counts": "rest_shift_counts"}
"""Figures with limits on both sides, and the key under [limits] that is half of their tolerance."""
ONE_SIDED: Final = {
    "noise_counts": "noise_counts",
    "motion_noise_counts": "noise_counts",
    "cross_axis_counts": "cross_axis_counts",
    "return_s": "return_s",
    "settle_s": "settle_s",
    "added_lag_s": "added_lag_s",
}
"""Figures with an upper limit alone, and its key under [limits]."""
DOUBLED: Final = "twice the distance from the study's grand mean to the only limit (common practice, no source)"


@dataclass(frozen=True, slots=True)
class Tolerance:
    """width: in the unit of the figure, None where there is none to compare with. source: how it was made, or why there is none."""

    width: float | None
    source: str


@dataclass(frozen=True, slots=True)
class StudyRule:
    """When a study is accepted. judged: metrics that decide, at every place; other figures are shown.

    30 % and 5 categories: AIAG Measurement Systems Analysis manual, 4th edition (from memory; it calls 10 % good, 10 to 30 % may do).
    A figure without a tolerance is held to the same percentage of the study's whole variation.
    """

    gauge_percent_most: float = 30.0
    categories_least: int = 5
    judged: tuple[str, ...] = ("peak_counts",)

    @property
    def sentence(self) -> str:
        return (
            f"accepted when for every {' and '.join(self.judged)} the gauge takes at most {self.gauge_percent_most:g} % of the tolerance "
            f"(of the study's variation where there is none) and tells at least {self.categories_least} categories of parts apart "
            "(limits of the AIAG manual on measurement systems, from memory)"
        )

    def judges(self, figure: str) -> bool:
        return metric_of(figure) in self.judged


DEFAULT: Final = StudyRule()


def metric_of(figure: str) -> str:
    """Name of the metric in "stick place metric": metric_of("main x+ peak_counts") == "peak_counts"."""
    return figure.rsplit(" ", 1)[-1]


def tolerance_of(figure: str, specification: Specification, grand_mean: float) -> Tolerance:
    """Width a figure's spread is compared with. grand_mean: of all its values; with one limit the width is twice the way from it."""
    metric = metric_of(figure)
    if metric in TWO_SIDED:
        limit = float(getattr(specification.limits, TWO_SIDED[metric]))
        width = 2.0 * limit if limit > 0.0 else None
        return Tolerance(width, f"limits.{TWO_SIDED[metric]} on both sides" if width else f"limits.{TWO_SIDED[metric]} is 0")
    if metric == "peak_counts":
        return _one_sided("host.neutral_zone_counts", specification.host.neutral_zone_counts, grand_mean)
    if metric in ONE_SIDED:
        return _one_sided(f"limits.{ONE_SIDED[metric]}", float(getattr(specification.limits, ONE_SIDED[metric])), grand_mean)
    return Tolerance(None, f"no limit is set on {metric}")


def _one_sided(key: str, limit: float, grand_mean: float) -> Tolerance:
    if not math.isfinite(grand_mean) or grand_mean >= limit:
        return Tolerance(None, f"the parts' mean {grand_mean:.4g} is not below {key} ({limit:g}), so no room is left to compare with")
    return Tolerance(2.0 * (limit - grand_mean), f"{DOUBLED}, {key} ({limit:g})")
