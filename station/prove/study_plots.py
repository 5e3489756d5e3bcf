"""What the pictures of a gauge study are drawn from, one figure at a time. JSON-ready."""

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from station.prove.gauge_study import GaugeStudy
from station.prove.range_constants import mean_range, rms_range
from station.records import Floats

SIGMAS: Final = 3.0  # limits of a control chart, ISO 7870-2
BARS: Final = ("gauge", "repeatability", "reproducibility", "interaction", "part")


def plots_of(study: GaugeStudy, document: Mapping[str, Any]) -> dict[str, Any]:
    """Component bars, values by part and by operator, means of the cells (their lines are parallel without interaction), and ranges and
    means by operator with the limits of a control chart. document: of station.prove.gauge.gauge_document for the same study."""
    return {
        "components": _bars(document),
        "by_part": _by(study.parts, study.values.reshape(len(study.parts), -1)),
        "by_operator": _by(study.operators, study.values.transpose(1, 0, 2).reshape(len(study.operators), -1)),
        "interaction": {"parts": list(study.parts), "operators": list(study.operators), "means": study.values.mean(axis=2).T.tolist()},
        "ranges": _ranges(study),
    }


def _bars(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    tolerance = document["percent_of_tolerance"]
    return [
        {
            "name": name,
            "percent_of_variance": document["percent_of_variance"][name],
            "percent_of_study": document["percent_of_study"][name],
            "percent_of_tolerance": None if tolerance is None else tolerance[name],
        }
        for name in BARS
    ]


def _by(names: tuple[str, ...], values: Floats) -> list[dict[str, Any]]:
    return [{"name": name, "mean": float(row.mean()), "values": row.tolist()} for name, row in zip(names, values, strict=True)]


def _ranges(study: GaugeStudy) -> dict[str, Any]:
    """Ranges and means of each operator's cells, parts in order, with centre and limits: mean range (1 +- 3 d3 / d2), and the grand mean
    +- 3 mean range / (d2 sqrt(trials)). Ranges beyond their limit tell an operator or part that is measured less evenly than the others."""
    ranges, trials = np.ptp(study.values, axis=2), study.trials
    d2 = mean_range(trials)
    d3 = math.sqrt(rms_range(trials) ** 2 - d2**2)
    centre, grand = float(ranges.mean()), float(study.values.mean())
    reach = SIGMAS * centre / (d2 * math.sqrt(trials))
    upper = centre * (1.0 + SIGMAS * d3 / d2)
    return {
        "parts": list(study.parts),
        "operators": [{"name": name, "ranges": ranges[:, index].tolist()} for index, name in enumerate(study.operators)],
        "centre": centre,
        "lower": max(0.0, centre * (1.0 - SIGMAS * d3 / d2)),
        "upper": upper,
        "beyond": [
            {"operator": study.operators[operator], "part": study.parts[part], "range": float(ranges[part, operator])}
            for part, operator in np.argwhere(ranges > upper)
        ],
        "means": {"centre": grand, "lower": grand - reach, "upper": grand + reach},
    }
