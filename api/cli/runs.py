"""`restpoint runs`: a list of runs, or one run with what it rests on."""

from collections.abc import Sequence
from enum import StrEnum
from typing import Annotated, Any

import typer

from api.cli.options import AsJson, instant
from api.cli.output import emit_json, figure, show, table
from api.cli.records import After, ConfigFile, DatabaseUrl, Document, Limit, Place, Server, Span, TokenFile, gather, open_records
from station.errors import UsageError

FORMAT_LIST, FORMAT_ONE = "restpoint-runs/1", "restpoint-run/1"


class VerdictName(StrEnum):
    """Verdicts, and `open` for runs that go on."""

    passed = "pass"
    fail = "fail"
    undecided = "undecided"
    invalid = "invalid"
    open = "open"


Number = Annotated[int | None, typer.Argument(metavar="[NUMBER]", min=1, help="One run, by its number; left out: a list, newest first.")]
Serial = Annotated[str, typer.Option("--serial", help="Only units whose serial number begins so.")]
Lot = Annotated[str, typer.Option("--lot", help="Only units of this stick lot.")]
Product = Annotated[str, typer.Option("--product", help="Only units of this product.")]
Rig = Annotated[str, typer.Option("--rig", help="Only runs on this rig.")]
OfVerdict = Annotated[VerdictName | None, typer.Option("--verdict", help="Only runs that ended so; `open` for those that go on.")]
Reason = Annotated[str, typer.Option("--reason", metavar="CODE", help="Only runs with this reason: snapback, or snapback:x+.")]
Since = Annotated[str, typer.Option("--since", metavar="TIME", help="Started at this time or later, as 2026-11-25T07:30:00Z.")]
Until = Annotated[str, typer.Option("--until", metavar="TIME", help="Started before this time.")]
Emulated = Annotated[bool | None, typer.Option("--emulated/--real", help="Only runs on emulated, or on real rigs.")]


def runs(
    number: Number = None,
    serial: Serial = "",
    lot: Lot = "",
    product: Product = "",
    rig: Rig = "",
    verdict: OfVerdict = None,
    reason: Reason = "",
    since: Since = "",
    until: Until = "",
    emulated: Emulated = None,
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List runs, newest first, or show one by its number. Times are UTC."""
    which = {"serial": serial, "lot": lot, "product": product, "rig": rig, "reason": reason, "since": since, "until": until}
    which |= {"verdict": verdict or "", "emulated": "" if emulated is None else str(emulated).lower()}
    question, span = {key: value for key, value in which.items() if value}, Span(after, limit)
    for option, text in (("--since", since), ("--until", until)):
        instant(option, text)
    if number is not None and (question or span.asked):
        raise UsageError(f"run {number} is named beside filters of a list; expected one of them")
    with open_records(Place(server, token_file, database, config)) as records:
        if number is not None:
            one = records.run(number)
            return emit_json({"format": FORMAT_ONE, **one}) if as_json else show(*run_lines(one))
        found, more = gather(records, "runs", question, span)
    if as_json:
        return emit_json({"format": FORMAT_LIST, "runs": found, "next": more})
    return show(runs_table("", found) if found else "No runs.", *([f"More: --after {more}"] if more else []))


def runs_table(title: str, found: Sequence[Document]) -> Any:
    """Runs as a table, newest first."""
    headers = ["run", "started (UTC)", "unit", "lot", "rig", "specification", "verdict", "reasons"]
    rows = [
        [
            str(run["number"]),
            short_time(run["started_at"]),
            run["unit"]["serial"],
            run["unit"]["lot"],
            f"{run['rig']}{' (emulated)' if run['emulated'] else ''}",
            run["specification"],
            run["verdict"] or "open",
            " ".join(run["reasons"]),
        ]
        for run in found
    ]
    return table(title, headers, rows, left=len(headers))


def run_lines(one: Document) -> list[Any]:
    """One run for people: what it is, why, and the figures of its groups."""
    run = one["run"]
    unit, rig = run["unit"], f"{run['rig']}{', emulated' if run['emulated'] else ''} ({run['rig_id']}, firmware {one['firmware']})"
    lines: list[Any] = [
        f"Run {run['number']}: {run['verdict'] or 'open'}{': ' + ' '.join(run['reasons']) if run['reasons'] else ''}",
        f"  {one['explanation']}" if one["explanation"] else "",
        f"  unit {unit['serial']}, product {unit['product']}, lot {unit['lot'] or '-'}",
        f"  rig {rig}, station {run['station']}, operator {run['operator'] or '-'}",
        f"  specification {run['specification']}, calibration {one['calibration'] or 'none'}, software {one['software']}",
        f"  {short_time(run['started_at'])} to {short_time(run['ended_at'])} UTC",
    ]
    return [line for line in lines if line] + [_groups(stick) for stick in one["sticks"].values()]


def _groups(stick: Document) -> Any:
    headers = ["group", "verdict", "flicks", "used", "peak mean", "peak max", "return ms", "settle ms", "reach"]
    rows = [
        [
            name,
            group["verdict"],
            str(group["flicks"]),
            str(group["flicks_used"]),
            figure(group["peak_counts"]["mean"], 2),
            figure(group["peak_counts"]["max"], 2),
            figure(group["return_s"], 2, 1e3),
            figure(group["settle_s"], 1, 1e3),
            figure(group["reach_counts"], 1),
        ]
        for name, group in stick["groups"].items()
    ]
    return table(f"Stick {stick['stick']}: {stick['verdict']}, {stick['samples_kept']} samples kept", headers, rows, left=2)


def short_time(text: str | None) -> str:
    """2026-11-25 07:30:00 from RFC 3339; a dash where there is none."""
    return "-" if text is None else text[:19].replace("T", " ")


def register(app: typer.Typer) -> None:
    app.command("runs")(runs)
