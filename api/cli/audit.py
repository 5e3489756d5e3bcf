"""`restpoint audit`: who did what, and whether anything that was sealed was touched since."""

from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.options import AsJson
from api.cli.output import Exit, emit, emit_json, show, table
from station.errors import UsageError

ConfigFile = Annotated[Path | None, typer.Option("--config", metavar="STATION.toml", help="Configuration file that names the database.")]
DatabaseUrl = Annotated[str, typer.Option("--database", metavar="URL", help="The database instead of the configured one: sqlite:///FILE.")]
Limit = Annotated[int, typer.Option(min=1, max=10_000, help="How many entries at most.")]
After = Annotated[int | None, typer.Option(min=1, help="Go on after this entry: only older ones.")]
Noted = Annotated[str, typer.Option(metavar="POSITION:LINK", help="An end of the chain as it was noted earlier; it must still be in it.")]


def list_entries(
    database: DatabaseUrl = "", config: ConfigFile = None, limit: Limit = 50, after: After = None, as_json: AsJson = False
) -> None:
    """Show the audit trail, newest first."""
    from db.audit import entries

    place = _open(database, config)
    try:
        found = entries(place, after, limit)
    finally:
        place.close()
    if as_json:
        emit_json({"format": "restpoint-audit/1", "entries": [_document(one) for one in found]})
        return
    rows = [_row(one) for one in found]
    show(table("", ("entry", "when", "who", "role", "from", "status", "what", "asked"), rows, left=8))


def verify(database: DatabaseUrl = "", config: ConfigFile = None, noted: Noted = "", as_json: AsJson = False) -> None:
    """Recompute the chain of digests over runs and audit entries, and name what was changed, removed or inserted. Exit code 1 if any was.

    Note the end that it prints somewhere else now and then: only so can it be told later that the newest rows were cut off.
    """
    from db.chain_check import verify as check

    end = _noted(noted)
    place = _open(database, config)
    try:
        reports = check(place, end)
    finally:
        place.close()
    sound = all(report.sound for report in reports) and (bool(reports) or end is None)
    if as_json:
        emit_json({"format": "restpoint-audit-verify/1", "sound": sound, "chains": [_report(one) for one in reports]})
    else:
        for one in reports:
            _tell(one)
        if not reports:
            emit("none: nothing was sealed in this database yet" if sound else "bad: there is no chain, and so not the link that was noted")
    raise typer.Exit(Exit.DONE if sound else Exit.FAIL)


def _tell(report: Any) -> None:
    counted = f"{report.runs} runs and {report.entries} audit entries"
    older = f"; {report.before} runs are older than the chain and not sealed" if report.before else ""
    if report.sound:
        emit(f"good: station {report.station}: {counted} are as they were sealed{older}")
    else:
        emit(f"bad: station {report.station}: {len(report.findings)} findings in {counted}{older}")
        for finding in report.findings:
            emit(f"  {finding}")
    emit(f"  end of the chain: {report.position}:{report.link}")


def _report(report: Any) -> dict[str, Any]:
    names = ("station", "runs", "entries", "before", "position", "link", "findings")
    return {name: getattr(report, name) for name in names}


def _document(kept: Any) -> dict[str, Any]:
    from api.http.instants import rfc3339

    fields = {name: getattr(kept.entry, name) for name in kept.entry.__dataclass_fields__}
    return {"number": kept.number, "station": kept.station, **fields, "at": rfc3339(kept.entry.at)}


def _row(kept: Any) -> tuple[str, ...]:
    one = _document(kept)
    return (*(str(one[name]) for name in ("number", "at", "who", "role", "address", "status", "what")), one["asked"][:60])


def _noted(text: str) -> tuple[int, str] | None:
    if not text:
        return None
    position, _, link = text.partition(":")
    if not position.isdecimal() or not link:
        raise UsageError(f"--noted is {text!r}; expected POSITION:LINK as verify prints it")
    return int(position), link


def _open(database: str, config: Path | None) -> Any:
    from api.config import load_config
    from db.engine import Database
    from db.migrate import require_current

    url = database or load_config(config, {}).database_url
    require_current(url)
    return Database(url)


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Who did what; whether records were touched.", no_args_is_help=True)
    group.command("list")(list_entries)
    group.command("verify")(verify)
    app.add_typer(group, name="audit")
