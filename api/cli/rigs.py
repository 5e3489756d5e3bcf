"""`restpoint rigs`: what each rig of a running station is doing, and the few things that may be asked of it."""

from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from api.cli.options import AsJson
from api.cli.output import emit_json, show, table

HOME: Final = "http://127.0.0.1:8000"


class Verb(StrEnum):
    """scan needs --serial; start makes the finger move."""

    show = "show"
    scan = "scan"
    start = "start"
    halt = "halt"
    reset = "reset"


What = Annotated[Verb, typer.Argument(help="What to do; without a rig: show all.")]
Rig = Annotated[str, typer.Argument(metavar="[RIG]", help="Name of the rig.")]
Serial = Annotated[str, typer.Option("--serial", help="Unit in the clamp, with scan.")]
Product = Annotated[str, typer.Option("--product", help="Its product, where the station knows several.")]
Lot = Annotated[str, typer.Option("--lot", help="Its stick lot.")]
Operator = Annotated[str, typer.Option("--operator", help="Who is at the rig.")]
Server = Annotated[str, typer.Option("--server", metavar="URL", help="The running station.")]
TokenFile = Annotated[Path | None, typer.Option("--token-file", help="File with an access token; else RESTPOINT_TOKEN.")]


def rigs(
    what: What = Verb.show,
    rig: Rig = "",
    serial: Serial = "",
    product: Product = "",
    lot: Lot = "",
    operator: Operator = "",
    server: Server = HOME,
    token_file: TokenFile = None,
    as_json: AsJson = False,
) -> None:
    """Show the rigs of a running station, scan a unit, start, halt or reset a rig.

    Before start: hands out, guard closed, emergency stop within reach. The finger can pinch. halt is no safety function.
    """
    from api.cli.remote import RemoteRecords, read_token
    from station.errors import UsageError

    if what is not Verb.show and not rig:
        raise UsageError(f"{what} is given without a rig; expected: restpoint rigs {what} RIG")
    if (what is Verb.scan) is not bool(serial):
        raise UsageError("--serial goes with scan, and scan needs it; expected: restpoint rigs scan RIG --serial SERIAL")
    with RemoteRecords(server, read_token(token_file)) as station:
        if what is Verb.show:
            found = [station.rig(rig)] if rig else station.rigs()
        elif what is Verb.scan:
            found = [station.ask(rig, "unit", {"serial": serial, "product": product, "lot": lot, "operator": operator})]
        else:
            found = [station.ask(rig, str(what), None)]
    emit_json({"format": "restpoint-rigs/1", "rigs": found}) if as_json else show(_table(found))


def _table(found: list[Mapping[str, Any]] | list[dict[str, Any]]) -> Any:
    rows = [[one["name"], "emulated" if one["emulated"] else "real", one["state"], _unit(one), one["sentence"]] for one in found]
    return table("", ["rig", "kind", "state", "unit", "what to do"], rows, left=5)


def _unit(one: Mapping[str, Any]) -> str:
    return str(one["unit"]["serial"]) if one["unit"] else "-"


def register(app: typer.Typer) -> None:
    app.command("rigs")(rigs)
