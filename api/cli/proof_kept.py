"""`restpoint proof`: what is kept of procedures, calibrations, reference units and studies; from a database or a running station."""

from pathlib import Path
from typing import Annotated, Any

import typer

from api.cli.options import AsJson
from api.cli.output import emit, emit_json, show
from api.cli.proof_places import Proofs, open_proofs
from api.cli.proof_view import procedures_table
from api.cli.proof_view_kept import calibration_lines, calibrations_table, checks_table, studies_table, study_lines, units_table
from api.cli.records import LIMIT, PAGE_MAX, After, ConfigFile, DatabaseUrl, Document, Limit, Place, Question, Server, TokenFile
from station.errors import UsageError

RigName = Annotated[str, typer.Argument(metavar="RIG", help="Name of the rig.")]
OneCalibration = Annotated[int | None, typer.Argument(metavar="[NUMBER]", min=1, help="One calibration, by its number; left out: a list.")]
OneStudy = Annotated[int | None, typer.Argument(metavar="[NUMBER]", min=1, help="One study, by its number; left out: a list.")]
Number = Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="Number of the calibration.")]
Output = Annotated[Path, typer.Option("-o", "--output", metavar="FILE.pdf", help="Where the certificate is written.")]
OfRig = Annotated[str, typer.Option("--rig", help="Only of this rig.")]
Product = Annotated[str, typer.Option("--product", help="Only of this product.")]
Accepted = Annotated[bool | None, typer.Option("--accepted/--refused", help="Only those that were accepted, or were not.")]
Emulated = Annotated[bool | None, typer.Option("--emulated/--real", help="Only of emulated, or of real rigs.")]


def procedures(
    rig: RigName,
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List the procedures of a rig, newest first."""
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        found, more = _gather(proofs, "procedures", {"rig": rig}, after, limit)
    if as_json:
        return emit_json({"format": "restpoint-procedures/1", "procedures": found, "next": more})
    return show(procedures_table(found) if found else "No procedures.", *_more(more))


def calibrations(
    number: OneCalibration = None,
    rig: OfRig = "",
    accepted: Accepted = None,
    emulated: Emulated = None,
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List calibrations, newest first, or show one with all its figures."""
    question = _question(rig=rig, accepted=accepted, emulated=emulated)
    _require_one(number, question, after, limit)
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        if number is not None:
            one = proofs.calibration(number)
            return emit_json({"format": "restpoint-calibration/1", **one}) if as_json else show(*calibration_lines(one))
        found, more = _gather(proofs, "calibrations", question, after, limit)
    if as_json:
        return emit_json({"format": "restpoint-calibrations/1", "calibrations": found, "next": more})
    return show(calibrations_table(found) if found else "No calibrations.", *_more(more))


def certificate(
    number: Number,
    output: Output,
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Write the certificate of a calibration as PDF. A file that is there is overwritten."""
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        paper = proofs.certificate(number)
    try:
        output.write_bytes(paper)
    except OSError as problem:
        raise UsageError(f"--output {output}: {problem.strerror}; expected a file that can be written") from problem
    done = {"format": "restpoint-certificate/1", "calibration": number, "file": str(output), "bytes": len(paper)}
    return emit_json(done) if as_json else emit(f"done: certificate of calibration {number} in {output}")


def references(
    rig: OfRig = "",
    product: Product = "",
    emulated: Emulated = None,
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List reference units with their newest values, and the checks against them, newest first."""
    question = _question(rig=rig, product=product, emulated=emulated)
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        units = _newest(proofs.units({key: value for key, value in question.items() if key != "rig"}, PAGE_MAX))
        found, more = _gather(proofs, "checks", question, after, limit)
    if as_json:
        return emit_json({"format": "restpoint-references/1", "units": units, "checks": found, "next": more})
    shown = [units_table(units) if units else "No reference units.", checks_table(found) if found else "No checks."]
    return show(*shown, *_more(more))


def studies(
    number: OneStudy = None,
    rig: OfRig = "",
    product: Product = "",
    accepted: Accepted = None,
    emulated: Emulated = None,
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List gauge studies and type 1 studies, newest first, or show one with its figures."""
    question = _question(rig=rig, product=product, accepted=accepted, emulated=emulated)
    _require_one(number, question, after, limit)
    with open_proofs(Place(server, token_file, database, config)) as proofs:
        if number is not None:
            one = proofs.study(number)
            return emit_json({"format": "restpoint-study/1", **one}) if as_json else show(*study_lines(one))
        found, more = _gather(proofs, "studies", question, after, limit)
    if as_json:
        return emit_json({"format": "restpoint-studies/1", "studies": found, "next": more})
    return show(studies_table(found) if found else "No studies.", *_more(more))


def _question(**values: str | bool | None) -> Question:
    """What was asked for, as the API takes it."""
    return {key: value if isinstance(value, str) else str(value).lower() for key, value in values.items() if value not in ("", None)}


def _require_one(number: int | None, question: Question, after: str, limit: int | None) -> None:
    if number is not None and (question or after or limit is not None):
        raise UsageError(f"number {number} is given beside filters of a list; expected one of them")


def _newest(units: list[Document]) -> list[Document]:
    """Of all values ever found, newest first, the newest of each unit at each rig."""
    return list({(one["serial"], one["rig_id"], one["emulated"]): one for one in reversed(units)}.values())


def _gather(proofs: Proofs, what: str, question: Question, after: str, limit: int | None) -> tuple[list[Document], str | None]:
    """As many rows as wished, page by page, and the cursor to go on with."""
    wanted, cursor = LIMIT if limit is None else limit, after or None
    found: list[Document] = []
    while True:
        rows, cursor = proofs.page(what, question, cursor, min(PAGE_MAX, wanted - len(found)))
        found.extend(rows)
        if cursor is None or len(found) >= wanted:
            return found, cursor


def _more(cursor: str | None) -> list[str]:
    return [f"More: --after {cursor}"] if cursor else []


COMMANDS: dict[str, Any] = {
    "procedures": procedures,
    "calibrations": calibrations,
    "certificate": certificate,
    "references": references,
    "studies": studies,
}
