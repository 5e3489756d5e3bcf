"""`restpoint score`: the verdict on a recording, or on a stored run scored again."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli.options import (
    AsJson,
    Columns,
    FittedX,
    FittedY,
    SupplyV,
    checked_supply_v,
    column_names,
    fitted,
    read_specification,
)
from api.cli.output import EXIT_BY_VERDICT, emit_json, show
from api.cli.records import ConfigFile, DatabaseUrl
from station.errors import UsageError

if TYPE_CHECKING:
    from station.records import Recording

COLUMNS = "t_s,x_v,y_v"

RecordingFile = Annotated[Path | None, typer.Argument(metavar="[RECORDING.csv]", help="A recording: CSV with the header t_s,x_v,y_v.")]
Spec = Annotated[Path | None, typer.Option("--spec", metavar="SPEC.toml", help="The specification to judge by; for --run the run's own.")]
Run = Annotated[int | None, typer.Option("--run", metavar="NUMBER", min=1, help="Score a stored run again and show any difference.")]
Stick = Annotated[str, typer.Option("--stick", metavar="NAME", help="With --run: which stick, where the unit has several.")]


def score(
    recording: RecordingFile = None,
    spec: Spec = None,
    fitted_x: FittedX = "",
    fitted_y: FittedY = "",
    columns: Columns = COLUMNS,
    supply_v: SupplyV = None,
    run: Run = None,
    stick: Stick = "",
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Measure every flick of a recording and give the verdict: exit code 0 pass, 1 fail, 3 undecided or invalid.

    Any oscilloscope or logger will do that samples both axes at 1 to 100 kS/s, with a quiet stretch of 0.2 s first.
    """
    if run is not None:
        if recording or fitted_x or fitted_y or supply_v is not None or columns != COLUMNS:
            raise UsageError("--run takes recording, supply and fitted parts from the record; expected it with --spec and --stick at most")
        from api.cli.rescore import rescore

        return rescore(run, stick, spec, database, config, as_json)
    if recording is None or spec is None:
        raise UsageError("expected a recording and --spec SPEC.toml, or --run NUMBER")
    if stick or database or config:
        raise UsageError("--stick, --database and --config belong to --run; a recording holds one stick")
    names, volts, parts, specification = (
        column_names(columns),
        checked_supply_v(supply_v),
        fitted(fitted_x, fitted_y),
        read_specification(spec),
    )
    from station.judge.score import score_document, score_recording

    taken = _read(recording, names, volts)
    result = score_recording(taken, specification, parts)
    document = score_document(result, specification)
    if as_json:
        emit_json(document)
    else:
        from api.cli.score_view import score_lines

        show(*score_lines(document, specification))
    raise typer.Exit(EXIT_BY_VERDICT[result.verdict])


def _read(path: Path, columns: tuple[str, str, str], supply_v: float | None) -> "Recording":
    """The recording, with a progress bar on a terminal."""
    from api.cli.progress import progress_bar
    from rigs.replayed.csv_recording import read_recording

    with progress_bar(f"reading {path.name}") as progress:
        return read_recording(path, columns, supply_v, progress)


def register(app: typer.Typer) -> None:
    app.command("score")(score)
