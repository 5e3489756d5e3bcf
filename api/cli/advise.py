"""`restpoint advise`: what every part in stock would do to the flicks of a recording, and the one to fit."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from api.cli.options import (
    AsJson,
    Columns,
    FittedX,
    FittedY,
    SpecFile,
    SupplyV,
    checked_supply_v,
    column_names,
    fitted,
    read_specification,
)
from api.cli.output import Exit, emit_json, figure, show, table

if TYPE_CHECKING:
    from station.records import Recording
    from station.specification import Specification

RecordingFile = Annotated[Path, typer.Argument(metavar="RECORDING.csv", help="A recording: CSV with the header t_s,x_v,y_v.")]

HEADERS: Final = ["part", "marking", "peak mean", "sd", "worst", "beyond zone", "lag ms", "return ms", "chance", "retest s", "meets"]
SOLDERING: Final = ("fit", "larger", "smaller", "remove")


def advise(
    recording: RecordingFile,
    spec: SpecFile,
    fitted_x: FittedX = "0",
    fitted_y: FittedY = "0",
    columns: Columns = "t_s,x_v,y_v",
    supply_v: SupplyV = None,
    as_json: AsJson = False,
) -> None:
    """Say which capacitor to fit, from one recording, before anyone solders.

    Exit code 0 whenever it could answer, also with "none needed" and "none will do"; 3 when the recording cannot be trusted.
    """
    from station.judge.advice import advise as advice_on
    from station.judge.advice import is_answer

    specification, parts = read_specification(spec), fitted(fitted_x, fitted_y)
    taken = _read(recording, column_names(columns), checked_supply_v(supply_v))
    document = advice_on(taken, specification, parts)
    if as_json:
        emit_json(document)
    else:
        show(*advice_lines(document, specification))
    raise typer.Exit(Exit.DONE if is_answer(document) else Exit.UNSURE)


def _read(path: Path, columns: tuple[str, str, str], supply_v: float | None) -> "Recording":
    """The recording, with a progress bar on a terminal."""
    from api.cli.progress import progress_bar
    from rigs.replayed.csv_recording import read_recording

    with progress_bar(f"reading {path.name}") as progress:
        return read_recording(path, columns, supply_v, progress)


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("advise")(advise)


def advice_lines(document: Mapping[str, Any], spec: "Specification") -> list[Any]:
    """Everything `restpoint advise` shows: the advice first, then every part that was looked at, then how to go about it."""
    lines: list[Any] = [f"Advice by {document['spec']}, capacitors {document['where']}"]
    for axis, one in document["axes"].items():
        lines += _axis_lines(axis, one, spec)
    if document["chance_unit"] is not None:
        lines.append(f"Chance that the unit passes its retest with both: {document['chance_unit']:.2f}")
    if any(one["outcome"] in SOLDERING for one in document["axes"].values()):
        lines += ["Before soldering:", *(f"  - {caution}" for caution in document["cautions"])]
    return lines


def _axis_lines(axis: str, one: Mapping[str, Any], spec: "Specification") -> list[Any]:
    lines: list[Any] = ["", f"{axis}: {one['in_words']}"]
    if one["recommended_f"] is not None:
        lines.append(f"   Why: {one['reason']}.")
    lines += [f"   What would help: {sentence}" for sentence in one["help"]]
    lines += [f"   {sentence}" for sentence in one["further"]]
    if one["candidates"]:
        lines.append(table("", HEADERS, [*(_row(one, candidate) for candidate in one["candidates"]), _limits(spec)], left=2))
    return lines


def _row(one: Mapping[str, Any], candidate: Mapping[str, Any]) -> list[str]:
    from station.axis.markings import pretty

    farads, peaks = candidate["capacitance_f"], candidate["peak_counts"]
    sign = ">" if farads == one["recommended_f"] else " "
    fitted_now = " (fitted)" if one["fitted_f"] and abs(farads / one["fitted_f"] - 1.0) < 1e-3 else ""
    return [
        f"{sign} {pretty(farads)}{fitted_now}",
        candidate["marking"] if farads else "",
        figure(peaks["mean"], 2),
        figure(peaks["sd"], 2),
        figure(peaks["worst"], 2),
        _percent(candidate["over_share"]),
        figure(candidate["added_lag_s"], 2, 1e3),
        figure(candidate["return_s"], 2, 1e3),
        figure(candidate["chance_to_pass"], 2),
        figure(candidate["retest"]["seconds"], 0),
        "yes" if candidate["meets"] else ", ".join(dict.fromkeys(reason.split(":")[0] for reason in candidate["broken"])),
    ]


def _limits(spec: "Specification") -> list[str]:
    limits = spec.limits
    row = ["limit", "", "", "", f"{spec.host.neutral_zone_counts:g}", _percent(spec.decision.over_share_good)]
    return [*row, f"{1e3 * limits.added_lag_s:g}", f"{1e3 * limits.return_s:g}", f"{spec.stock.asked_chance:g}", "", ""]


def _percent(share: float) -> str:
    return f"{100.0 * share:.3g} %" if share >= 1e-6 else "0 %"
