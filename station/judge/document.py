"""A score as the JSON of `restpoint score`, format restpoint-score/1."""

from typing import Any, Final

from station.judge.groups import number
from station.measure.catalogue import column_names
from station.quantities import GROUPS
from station.records import FlickTable, Score
from station.specification import Specification

FORMAT: Final = "restpoint-score/1"
WHOLE: Final = {"rings"}


def score_document(score: Score, spec: Specification) -> dict[str, Any]:
    """The contract's document; more fields than it names, null where a figure is not known."""
    return {
        "format": FORMAT,
        "spec": spec.label,
        "verdict": str(score.verdict),
        "reasons": list(score.reasons),
        **score.figures,
        "groups": {group: dict(one) for group, one in score.groups.items()},
        "flicks": flick_documents(score.flicks),
    }


def flick_documents(table: FlickTable) -> list[dict[str, Any]]:
    """One mapping a flick, in order of time."""
    columns = {name: table.columns[name].tolist() for name in column_names()}
    return [_flick(k, table, columns) for k in range(len(table))]


def _flick(k: int, table: FlickTable, columns: dict[str, list[float]]) -> dict[str, Any]:
    values: dict[str, Any] = {name: number(column[k]) for name, column in columns.items()}
    for name in WHOLE:
        values[name] = None if values[name] is None else round(values[name])
    return {"group": GROUPS[int(table.group[k])], **values, "flags": list(table.flags[k])}
