"""`restpoint export`: reports and lists as files, from a database of this machine or a running station; both give the same bytes."""

from pathlib import Path
from typing import Annotated, Any, Final

import typer

from api.cli.export_files import Writing, suffix_form, write_list, write_whole
from api.cli.options import AsJson
from api.cli.output import emit, emit_json
from api.cli.records import ConfigFile, DatabaseUrl, Place, Server, TokenFile
from api.cli.yields import By, Emulated, From, Lot, Operator, Product, Revision, Rig, Station, To, question_of
from api.cli.yields_places import Wanted, What, open_yields
from station.yields import Split

FORMS: Final = {
    What.YIELD: ("pdf", "xlsx", "csv", "json"),
    What.FAILED: ("csv", "xlsx", "json", "jsonl"),
    What.UNIT: ("pdf", "json"),
    What.TRACE: ("csv", "raw"),
}
Output = Annotated[Path, typer.Option("-o", "--output", metavar="FILE", help="Where it is written; a file that is there is overwritten.")]
Format = Annotated[str, typer.Option("--format", help="pdf, xlsx, csv, json, jsonl or raw; left out: by the end of the file's name.")]
InDialect = Annotated[str, typer.Option("--dialect", help="Of CSV: standard, or semicolon with decimal commas.")]
InPart = Annotated[str, typer.Option("--part", help="Table of a CSV: yield, causes or capability.")]
Reason = Annotated[str, typer.Option("--reason", metavar="CODE", help="Only runs with this reason: snapback, or snapback:x+.")]
Prefix = Annotated[str, typer.Option("--serial", metavar="BEGINNING", help="Only units whose serial number begins so.")]
Resume = Annotated[bool, typer.Option("--resume", help="Go on with a CSV or jsonl file that was cut off.")]
Serial = Annotated[str, typer.Argument(metavar="SERIAL", help="Serial number of the unit.")]
Number = Annotated[int, typer.Argument(metavar="RUN", min=1, help="Number of the run.")]
Stick = Annotated[str, typer.Option("--stick", help="Which stick; main where there is only one.")]


def export_yield(
    output: Output,
    form: Format = "",
    dialect: InDialect = "",
    part: InPart = "",
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
    """The yield report: one page of PDF, XLSX, CSV (one table) or JSON."""
    about = question_of(from_=first, to=last, split=split.value, product=product, specification=specification, lot=lot)
    more = question_of(rig=rig, operator=operator, station=station, emulated=emulated, dialect=dialect, part=part)
    wanted = Wanted(What.YIELD, suffix_form(output, form, FORMS[What.YIELD]), question={**about, **more})
    _write(wanted, output, Place(server, token_file, database, config), as_json)


def export_failed(
    output: Output,
    form: Format = "",
    dialect: InDialect = "",
    resume: Resume = False,
    first: From = "",
    last: To = "",
    product: Product = "",
    specification: Revision = "",
    lot: Lot = "",
    rig: Rig = "",
    operator: Operator = "",
    station: Station = "",
    emulated: Emulated = False,
    reason: Reason = "",
    serial: Prefix = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Units whose newest decided run failed, newest first. A CSV that was cut off goes on with --resume."""
    about = question_of(from_=first, to=last, product=product, specification=specification, lot=lot, rig=rig, operator=operator)
    more = question_of(station=station, emulated=emulated, reason=reason, serial=serial, dialect=dialect)
    wanted = Wanted(What.FAILED, suffix_form(output, form, FORMS[What.FAILED]), question={**about, **more})
    with open_yields(Place(server, token_file, database, config)) as yields:
        done = write_list(yields, wanted, output, resume)
    _tell(wanted, output, done, as_json)


def export_unit(
    serial: Serial,
    output: Output,
    form: Format = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """One unit: PDF with traces, advice and calibration named, or its whole history as JSON."""
    wanted = Wanted(What.UNIT, suffix_form(output, form, FORMS[What.UNIT]), serial)
    _write(wanted, output, Place(server, token_file, database, config), as_json)


def export_trace(
    number: Number,
    output: Output,
    form: Format = "",
    stick: Stick = "main",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """The samples of a run: CSV that `restpoint score` reads, or raw codes of the sampler."""
    wanted = Wanted(What.TRACE, suffix_form(output, form, FORMS[What.TRACE]), str(number), {"stick": stick})
    _write(wanted, output, Place(server, token_file, database, config), as_json)


def _write(wanted: Wanted, output: Path, place: Place, as_json: bool) -> None:
    with open_yields(place) as yields:
        done = write_whole(yields, wanted, output)
    _tell(wanted, output, done, as_json)


def _tell(wanted: Wanted, output: Path, done: Writing, as_json: bool) -> None:
    about = {"format": "restpoint-export/1", "what": wanted.what.value, "form": wanted.form, "file": str(output), "bytes": done.size}
    if as_json:
        emit_json({**about, "rows": done.rows})
    else:
        emit(f"done: {output}, {done.size} bytes" + ("" if done.rows is None else f", {done.rows} rows"))


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Write yield, failed units, one unit or a trace into a file.", no_args_is_help=True)
    commands: dict[str, Any] = {"yield": export_yield, "failed": export_failed, "unit": export_unit, "trace": export_trace}
    for name, command in commands.items():
        group.command(name)(command)
    app.add_typer(group, name="export")
