"""`restpoint yield`: first-pass, final and rolled yield with intervals, causes, capability and rework."""

from typing import Annotated

import typer

from api.cli.options import AsJson
from api.cli.output import emit_json, show
from api.cli.records import ConfigFile, DatabaseUrl, Place, Question, Server, TokenFile
from api.cli.yields_places import open_yields
from api.cli.yields_view import report_lines
from station.yields import Split

From = Annotated[str, typer.Option("--from", metavar="DAY", help="First day, in the station's zone, as 2026-11-25.")]
To = Annotated[str, typer.Option("--to", metavar="DAY", help="Last day, included.")]
By = Annotated[Split, typer.Option("--split", help="By what the report is divided into rows.")]
Product = Annotated[str, typer.Option("--product", help="Only units of this product.")]
Revision = Annotated[str, typer.Option("--specification", metavar="NAME-REVISION", help='Only runs judged by this one, as "dunlin-2 A".')]
Lot = Annotated[str, typer.Option("--lot", help="Only units of this stick lot.")]
Rig = Annotated[str, typer.Option("--rig", help="Only runs on this rig.")]
Operator = Annotated[str, typer.Option("--operator", help="Only runs of this operator.")]
Station = Annotated[str, typer.Option("--station", help="Only runs of this station.")]
Emulated = Annotated[bool, typer.Option("--emulated", help="Runs of emulated rigs instead of real ones.")]


def question_of(**values: str | bool) -> Question:
    """What was asked as the API takes it; from_ is `from`."""
    shown = {key.rstrip("_"): "true" if value is True else value for key, value in values.items()}
    return {key: value for key, value in shown.items() if isinstance(value, str) and value}


def yield_report(
    first: From = "",
    last: To = "",
    split: By = Split.DAY,
    product: Product = "",
    specification: Revision = "",
    lot: Lot = "",
    rig: Rig = "",
    operator: Operator = "",
    station: Station = "",
    emulated: Emulated = False,
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Yield with 95 % intervals, causes ranked, capability and rework. Invalid and emulated runs are counted apart, never as yield."""
    question = question_of(
        from_=first,
        to=last,
        split=split.value,
        product=product,
        specification=specification,
        lot=lot,
        rig=rig,
        operator=operator,
        station=station,
        emulated=emulated,
    )
    with open_yields(Place(server, token_file, database, config)) as yields:
        report = yields.report(question)
    return emit_json(report) if as_json else show(*report_lines(report))


def register(app: typer.Typer) -> None:
    app.command("yield")(yield_report)
