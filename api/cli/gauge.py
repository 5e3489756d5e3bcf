"""`restpoint gauge`: evaluate a gauge study from a CSV file. Answers 0 whenever it could answer."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from api.cli.options import AsJson, read_text
from api.cli.output import emit_json, figure, show, table
from station.errors import StudyUnreadable

if TYPE_CHECKING:
    from station.prove.gauge import GaugeResult

StudyFile = Annotated[Path, typer.Argument(metavar="STUDY.csv", help="CSV with the header part,operator,trial,value.")]
Tolerance = Annotated[
    float | None,
    typer.Option("--tolerance", metavar="WIDTH", help="Width of the tolerance, in the unit of the values: also answers in percent of it."),
]

NAMES = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility (operators)",
    "interaction": "interaction (operators by parts)",
    "gauge": "gauge, all three together",
    "part": "parts",
    "total": "total",
}


class MethodName(StrEnum):
    anova = "anova"
    range = "range"


Method = Annotated[MethodName, typer.Option("--method", help="Two-way crossed analysis of variance, or ranges.")]


def gauge(study: StudyFile, tolerance: Tolerance = None, method: Method = MethodName.anova, as_json: AsJson = False) -> None:
    """Evaluate a gauge study: every part measured by every operator equally often.

    Two-way crossed analysis of variance with random effects; the interaction is pooled into repeatability when its p exceeds 0.25, and
    negative components are zero. With the 95 % intervals of every component.
    """
    from station.prove.gauge import evaluate, gauge_document
    from station.prove.gauge_study import parse_study

    try:
        parsed = parse_study(read_text(study, "study"))
    except StudyUnreadable as problem:
        raise StudyUnreadable(f"study {study}: {problem}") from problem
    result = evaluate(parsed, "range" if method is MethodName.range else "anova", tolerance)
    document = gauge_document(result)
    if as_json:
        emit_json(document)
    else:
        _show(result, document)


def _show(result: "GaugeResult", document: dict[str, Any]) -> None:
    p, o, r = result.shape
    parts = [f"Gauge study: {p} parts, {o} operator{'s' if o != 1 else ''}, {r} trials; method: {_method(result)}"]
    shown: list[Any] = [*parts, _components(result, document)]
    if result.anova is not None:
        shown.append(_variance_table(document["anova"]))
    categories = document["distinct_categories"]
    shown.append(f"Distinct categories: {'-' if categories is None else categories}{_categories_interval(document)}")
    shown.extend(f"Note: {note}." for note in document["notes"])
    show(*shown)


def _method(result: "GaugeResult") -> str:
    if result.anova is None:
        return "ranges"
    return f"two-way crossed analysis of variance, interaction {'pooled' if result.anova.pooled is not None else 'kept'}"


def _components(result: "GaugeResult", document: dict[str, Any]) -> Any:
    headers = ["source", "sd", "95 % interval", "% of study", "% of variance"]
    of_tolerance = document["percent_of_tolerance"]
    rows = []
    for name, sd in result.sds.items():
        row = [NAMES[name], f"{sd:.6g}", _interval(document, f"{name}_sd")]
        row += [figure(document["percent_of_study"][name], 1), figure(document["percent_of_variance"][name], 1)]
        rows.append([*row, figure(of_tolerance[name], 1)] if of_tolerance else row)
    return table("Where the spread comes from", [*headers, "% of tolerance (6 sd)"] if of_tolerance else headers, rows)


def _interval(document: dict[str, Any], name: str) -> str:
    pair = (document["intervals"] or {}).get(name)
    return f"{pair['lower']:.4g} .. {pair['upper']:.4g}" if pair else "-"


def _categories_interval(document: dict[str, Any]) -> str:
    pair = (document["intervals"] or {}).get("distinct_categories")
    return f" (95 % interval {pair['lower']} to {pair['upper']})" if pair else ""


def _variance_table(anova: dict[str, Any]) -> Any:
    lines = dict(anova["lines"])
    if anova["pooled_repeatability"]:
        lines["repeatability, pooled"] = anova["pooled_repeatability"]
    rows = [
        [name, str(one["df"]), f"{one['ss']:.6g}", f"{one['ms']:.6g}", figure(one["f"], 3), _p(one["p"])] for name, one in lines.items()
    ]
    return table("Analysis of variance", ["source", "df", "sum of squares", "mean square", "F", "p"], rows)


def _p(chance: float | None) -> str:
    return "-" if chance is None else "< 0.0001" if chance < 1e-4 else f"{chance:.4f}"


def register(app: typer.Typer) -> None:
    app.command("gauge")(gauge)
