"""`restpoint units`: a list of units, or one unit with its history."""

from typing import Annotated, Any

import typer

from api.cli.options import AsJson
from api.cli.output import emit_json, show, table
from api.cli.records import After, ConfigFile, DatabaseUrl, Document, Limit, Place, Server, Span, TokenFile, gather, open_records
from api.cli.runs import runs_table, short_time
from station.errors import UsageError

FORMAT_LIST, FORMAT_ONE = "restpoint-units/1", "restpoint-unit/1"

Serial = Annotated[str, typer.Argument(metavar="[SERIAL]", help="One unit, by its serial number; left out: a list.")]
Prefix = Annotated[str, typer.Option("--serial", metavar="BEGINNING", help="Only units whose serial number begins so.")]


def units(
    serial: Serial = "",
    prefix: Prefix = "",
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List units by serial number, or show one with all its runs. Times are UTC."""
    span = Span(after, limit)
    if serial and (prefix or span.asked):
        raise UsageError(f"unit {serial} is named beside filters of a list; expected one of them")
    with open_records(Place(server, token_file, database, config)) as records:
        if serial:
            one = records.unit(serial)
            return emit_json({"format": FORMAT_ONE, **one}) if as_json else show(*_unit_lines(one))
        found, more = gather(records, "units", {"serial": prefix} if prefix else {}, span)
    if as_json:
        return emit_json({"format": FORMAT_LIST, "units": found, "next": more})
    return show(_units_table(found) if found else "No units.", *([f"More: --after {more}"] if more else []))


def _units_table(found: list[Document]) -> Any:
    headers = ["unit", "product", "lot", "runs", "last run", "started (UTC)", "verdict"]
    rows = [
        [
            row["unit"]["serial"],
            row["unit"]["product"],
            row["unit"]["lot"],
            str(row["runs"]),
            "-" if row["last_run"] is None else str(row["last_run"]),
            short_time(row["last_started_at"]),
            "-" if row["last_run"] is None else row["last_verdict"] or "open",
        ]
        for row in found
    ]
    return table("", headers, rows, left=len(headers))


def _unit_lines(one: Document) -> list[Any]:
    unit = one["unit"]
    lines: list[Any] = [
        f"Unit {unit['serial']}, product {unit['product']}, lot {unit['lot'] or '-'}; known since {short_time(one['first_seen_at'])}"
    ]
    lines += [f"  fitted on stick {stick}: x {_part(parts['x_f'])}, y {_part(parts['y_f'])}" for stick, parts in one["fitted"].items()]
    return [*lines, runs_table("Runs", one["runs"]) if one["runs"] else "No runs."]


def _part(farads: float) -> str:
    from station.axis.markings import pretty

    return pretty(farads)


def register(app: typer.Typer) -> None:
    app.command("units")(units)
