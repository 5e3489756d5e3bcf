"""Evaluation of a gauge study measured on the rig: many figures of the same parts, operators and trials at once."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from station.errors import StudyUnreadable
from station.prove.gauge import SPREAD_SD, evaluate, gauge_document
from station.prove.gauge_anova import POOLING_P
from station.prove.gauge_study import GaugeStudy, Reading, study_of
from station.prove.study_plots import plots_of
from station.prove.study_words import DEFAULT, StudyRule, Tolerance, metric_of

FORMAT: Final = "restpoint-study/1"
PEAK: Final = "peak_counts"
POOLING: Final = f"the interaction is pooled into repeatability when its p exceeds {POOLING_P:g}"

ToleranceOf = Callable[[str, float], Tolerance]


@dataclass(frozen=True, slots=True)
class StudyRow:
    """One trial: a part measured once by an operator. values: by figure, "stick place metric" such as "main x+ peak_counts"; NaN where a
    figure could not be measured."""

    part: str
    operator: str
    trial: str
    values: Mapping[str, float]


def evaluate_study(rows: Sequence[StudyRow], tolerance_of: ToleranceOf, rule: StudyRule = DEFAULT) -> dict[str, Any]:
    """The whole study, JSON-ready. tolerance_of: Tolerance of a figure from its name and grand mean (study_words.tolerance_of).

    figures: of each the document of the gauge command (ANOVA) with intervals of the percentages, the range method beside, data of the
    pictures, and `standing`: accepted, refused, still (no spread at all, nothing can be told), shown (not judged) or unmeasured. problems:
    why the study is not accepted, one sentence each. Raises StudyUnreadable when parts, operators and trials do not make a balanced study.
    """
    names = _figures(rows)
    figures = {name: _figure(rows, name, tolerance_of, rule) for name in names}
    judged = {name: figure for name, figure in figures.items() if rule.judges(name)}
    problems = [f"{name}: {problem}" for name, figure in judged.items() for problem in figure["problems"]]
    if not any(figure["standing"] in ("accepted", "refused") for figure in judged.values()):
        problems.append(f"no {' or '.join(rule.judged)} shows any spread; expected parts that differ and values that are not all the same")
    return {
        "format": FORMAT,
        "rule": {**asdict(rule), "in_words": rule.sentence, "pooling": POOLING},
        "figures": figures,
        "problems": problems,
    }


def peak_u_counts(document: Mapping[str, Any]) -> float:
    """Standard uncertainty of a measured peak, counts: the gauge's standard deviation in the worst group, NaN when no group tells it.

    It is that of the figure the study measured in one trial: the mean peak of the trial's flicks, with everything that clamping again,
    another person and other flicks change. The worst group is taken, since a guard band must hold for every group.
    """
    found = worst_peak(document)
    return math.nan if found is None else float(document["figures"][found]["gauge_sd"])


def worst_peak(document: Mapping[str, Any]) -> str | None:
    """Name of the figure that `peak_u_counts` stands on."""
    telling = {
        name: figure["gauge_sd"]
        for name, figure in document["figures"].items()
        if metric_of(name) == PEAK and figure["standing"] not in ("still", "unmeasured")
    }
    return max(telling, key=lambda name: telling[name]) if telling else None


def peak_sentence(document: Mapping[str, Any]) -> str:
    """Where the uncertainty of a peak comes from, for the record of the study."""
    name = worst_peak(document)
    if name is None:
        return "The study tells no uncertainty of a peak: no group's peaks showed any spread."
    figure = document["figures"][name]
    interval = figure["intervals"]["gauge_sd"]
    return (
        f"Standard uncertainty of a measured peak: {figure['gauge_sd']:.3g} counts (95 % interval {interval['lower']:.3g} to "
        f"{interval['upper']:.3g}), the gauge's standard deviation at {name.removesuffix(' ' + PEAK)}, the worst of the groups."
    )


def _figures(rows: Sequence[StudyRow]) -> list[str]:
    names = list(dict.fromkeys(name for row in rows for name in row.values))
    if not names:
        raise StudyUnreadable("the study has no figure; expected at least one measured in every trial")
    return names


def _figure(rows: Sequence[StudyRow], name: str, tolerance_of: ToleranceOf, rule: StudyRule) -> dict[str, Any]:
    lacking = [row for row in rows if not math.isfinite(row.values.get(name, math.nan))]
    if lacking:
        first = lacking[0]
        where = f"part {first.part}, operator {first.operator}, trial {first.trial}"
        problem = f"{len(lacking)} of {len(rows)} values could not be measured (first: {where}); measure these trials again"
        return {"standing": "unmeasured", "problems": [problem]}
    study = study_of(
        Reading(row.part, row.operator, row.trial, row.values[name], f"trial {index}") for index, row in enumerate(rows, start=1)
    )
    return _evaluated(study, name, tolerance_of(name, float(study.values.mean())), rule)


def _evaluated(study: GaugeStudy, name: str, tolerance: Tolerance, rule: StudyRule) -> dict[str, Any]:
    result = evaluate(study, "anova", tolerance.width)
    document = gauge_document(result)
    document["raw_categories"] = result.categories
    document["tolerance_source"] = tolerance.source
    document["intervals"]["percent_of_tolerance"] = _tolerance_interval(document["intervals"]["gauge_sd"], tolerance.width)
    document["range_method"] = _beside(gauge_document(evaluate(study, "range", tolerance.width)))
    document["plots"] = plots_of(study, document)
    problems = _problems(document, rule)
    document["notes"] += _zeros(study, name)
    document["standing"] = _standing(document, rule.judges(name), problems)
    document["problems"] = problems if document["standing"] == "refused" else []
    return document


def _standing(document: Mapping[str, Any], judged: bool, problems: Sequence[str]) -> str:
    if document["gauge_sd"] == 0.0:
        return "still"
    if not judged:
        return "shown"
    return "refused" if problems else "accepted"


def _tolerance_interval(gauge_sd: Mapping[str, float], width: float | None) -> dict[str, float] | None:
    """Of the gauge's percentage of the tolerance, the width being known."""
    return None if width is None else {bound: 100.0 * SPREAD_SD * sd / width for bound, sd in gauge_sd.items()}


def _beside(document: Mapping[str, Any]) -> dict[str, Any]:
    kept = ("repeatability_sd", "reproducibility_sd", "gauge_sd", "part_sd", "total_sd", "gauge_percent", "distinct_categories")
    return {key: document[key] for key in (*kept, "percent_of_study", "percent_of_tolerance", "notes")}


def _problems(document: Mapping[str, Any], rule: StudyRule) -> list[str]:
    of_tolerance, categories = document["percent_of_tolerance"], document["distinct_categories"]
    percent = document["gauge_percent"] if of_tolerance is None else of_tolerance["gauge"]
    whole = "the study's variation" if of_tolerance is None else "the tolerance"
    found = []
    if percent is not None and percent > rule.gauge_percent_most:
        found.append(f"the gauge takes {percent:.1f} % of {whole}; expected at most {rule.gauge_percent_most:g} %")
    if categories is not None and categories < rule.categories_least:
        found.append(
            f"{categories} categories of parts can be told apart; expected at least {rule.categories_least}: measure parts that differ "
            "as much as production does, or make the measurement steadier"
        )
    return found


def _zeros(study: GaugeStudy, name: str) -> list[str]:
    """A peak is never negative: values at 0 hide part of the spread."""
    zeros = int((study.values == 0.0).sum())
    if metric_of(name) != PEAK or not zeros:
        return []
    return [f"{zeros} of {study.values.size} peaks are 0, the least a peak can be: the spread is understated"]
