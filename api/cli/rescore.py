"""`restpoint score --run`: score a stored run again by the code of today and show any difference from what was recorded then."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import typer

from api.cli.options import read_specification
from api.cli.output import EXIT_BY_VERDICT, emit_json, plain, show, table
from api.cli.records import database_url
from api.cli.score_view import score_lines
from db.migrate import require_current
from db.queries import Queries
from db.rows import RunDetail, StickDetail
from station.errors import UsageError
from station.judge.score import score_document, score_recording
from station.records import Fitted, FlickTable, Score
from station.specification import Specification, parse_specification

SHOWN: Final = 20  # differences listed for people; the JSON document holds all of them

Difference = dict[str, Any]


def rescore(number: int, stick: str, spec: Path | None, database: str, config: Path | None, as_json: bool) -> None:
    """Score one stick of a stored run again. Raises NotFound when its trace was not kept, UsageError, StoreError."""
    url = database_url(database, config)
    require_current(url)
    queries = Queries(url)
    try:
        detail = queries.run(number)
        name = _stick(detail, stick)
        recorded = detail.sticks.get(name)
        specification = read_specification(spec) if spec else _specification(queries, detail, recorded)
        modes = recorded_modes(recorded)
        result = score_recording(queries.recording(number, name), specification, detail.fitted.get(name, Fitted()), modes)
        found = differences(recorded, queries.flicks(number, name), result) if recorded else None
    finally:
        queries.close()
    then = {"verdict": detail.run.verdict, "reasons": list(detail.run.reasons), "specification": detail.run.specification}
    again = {"run": number, "stick": name, "recorded": then, "differences": found}
    document = {**score_document(result, specification), **again}
    if as_json:
        emit_json(document)
    else:
        show(*score_lines(document, specification), *_difference_lines(detail, found))
    raise typer.Exit(EXIT_BY_VERDICT[result.verdict])


def recorded_modes(recorded: StickDetail | None) -> dict[str, str]:
    """Decision modes by group as recorded: an audited group is audited again."""
    groups = recorded.groups if recorded else {}
    return {group: str(one["decision"]["mode"]) for group, one in groups.items() if one.get("decision")}


def differences(recorded: StickDetail, flicks: FlickTable, result: Score) -> list[Difference]:
    """Every value that is not the same to the last bit, in the order of the record."""
    then: dict[str, Any] = {
        "verdict": recorded.verdict,
        "reasons": list(recorded.reasons),
        "figures": recorded.figures,
        "groups": recorded.groups,
        "flicks": _rows(flicks),
    }
    now: dict[str, Any] = {
        "verdict": result.verdict,
        "reasons": list(result.reasons),
        "figures": result.figures,
        "groups": result.groups,
        "flicks": _rows(result.flicks),
    }
    return list(_differing("", plain(then), plain(now)))


def _differing(where: str, then: Any, now: Any) -> Iterator[Difference]:
    if isinstance(then, Mapping) and isinstance(now, Mapping):
        for key in dict.fromkeys([*then, *now]):
            yield from _differing(f"{where}.{key}".lstrip("."), then.get(key), now.get(key))
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        for index, (one, other) in enumerate(zip(then, now, strict=True)):
            yield from _differing(f"{where}[{index}]", one, other)
    elif then != now:
        yield {"where": where, "recorded": then, "now": now}


def _rows(flicks: FlickTable) -> dict[str, Any]:
    return {"group": flicks.group, "flags": flicks.flags, **flicks.columns}


def _stick(detail: RunDetail, wanted: str) -> str:
    known = list(dict.fromkeys([*detail.sticks, *detail.traces]))
    if wanted and wanted not in known:
        raise UsageError(f"--stick is {wanted!r}; expected one of those that run {detail.run.number} has: {', '.join(known) or 'none'}")
    if not wanted and len(known) > 1:
        raise UsageError(f"run {detail.run.number} has several sticks; expected --stick with one of {', '.join(known)}")
    return wanted or (known[0] if known else "main")


def _specification(queries: Queries, detail: RunDetail, recorded: StickDetail | None) -> Specification:
    """The run's, with the guard band it was decided with."""
    name, _, revision = detail.run.specification.rpartition(" ")
    found = parse_specification(queries.specification_text(name, revision))
    guard = recorded.figures.get("rule", {}).get("guard_band_counts") if recorded else None
    return found if guard is None else found.with_guard_band(float(guard))


def _difference_lines(detail: RunDetail, found: Sequence[Difference] | None) -> list[Any]:
    run = detail.run
    recorded = f"Recorded for run {run.number}: {run.verdict or 'open'}{' ' + ' '.join(run.reasons) if run.reasons else ''}"
    if found is None:
        return [f"{recorded}. No score was recorded to compare with."]
    if not found:
        return [f"{recorded}. Scored again: the same to the last bit."]
    rows = [[one["where"], str(one["recorded"]), str(one["now"])] for one in found[:SHOWN]]
    more = [f"and {len(found) - SHOWN} more; --json lists them all"] if len(found) > SHOWN else []
    return [f"{recorded}. Scored again: {len(found)} values differ.", table("", ["where", "recorded", "now"], rows), *more]
