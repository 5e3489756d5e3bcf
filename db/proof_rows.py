"""Between the words of proving and rows of their tables. Packing is done before a transaction begins, so that nobody waits for it."""

import math
from collections.abc import Mapping
from typing import Any

from db.blocks import Packed, pack_json, plain, unpack_json
from station.proof import (
    Calibration,
    Deviation,
    Kind,
    Opening,
    Procedure,
    ReferenceCheck,
    ReferenceUnit,
    ReferenceValue,
    Standing,
    StepResult,
    Study,
)

Row = dict[str, Any]

SAME_OF_CALIBRATION = ("station", "rig", "rig_id", "emulated", "firmware", "accepted", "made_by", "made_at", "valid_until", "flicks_max")
SAME_OF_CHECK = ("station", "rig", "rig_id", "emulated", "firmware", "calibration", "serial", "product")
SAME_OF_STUDY = ("kind", "station", "rig", "rig_id", "emulated", "product", "specification", "accepted")


def opening_row(opening: Opening) -> Row:
    return {
        "station": opening.station,
        "rig": opening.rig,
        "kind": opening.kind.value,
        "rig_id": opening.rig_id,
        "emulated": opening.emulated,
        "firmware": opening.firmware,
        "plan": plain(opening.plan),
        "opened_by": opening.by,
        "opened_at": opening.at,
        "standing": Standing.OPEN.value,
        "cause": "",
    }


def procedure_of(record: Any, results: tuple[StepResult, ...]) -> Procedure:
    opening = Opening(
        kind=Kind(record.kind),
        station=record.station,
        rig=record.rig,
        rig_id=record.rig_id,
        emulated=record.emulated,
        firmware=record.firmware,
        plan=record.plan,
        by=record.opened_by,
        at=record.opened_at,
    )
    return Procedure(record.id, opening, Standing(record.standing), results, record.ended_at, record.cause)


def step_row(procedure: int, result: StepResult) -> Row:
    """All but the number of the attempt."""
    packed = pack_json(result.figures, _step_about(procedure, result.position, result.name))
    return {
        "procedure_key": procedure,
        "position": result.position,
        "name": result.name,
        "kept_by": result.by,
        "kept_at": result.at,
        "codec": packed.codec,
        "figures": packed.data,
        "sha256": packed.sha256,
    }


def step_of(row: Any) -> StepResult:
    """Raises StoreError naming the procedure when it is damaged."""
    about = _step_about(row.procedure_key, row.position, row.name)
    subject = f"procedure {row.procedure_key}, step {row.position}"
    figures = unpack_json(Packed(row.codec, row.figures, row.sha256), about, subject)
    return StepResult(row.position, row.name, figures, row.kept_by, row.kept_at)


def calibration_row(procedure: int, made: Calibration) -> Row:
    same = {name: getattr(made, name) for name in SAME_OF_CALIBRATION}
    return {**same, "procedure_key": procedure, "problems": list(made.problems), **_document(made.document, "calibration", procedure)}


def calibration_of(row: Any) -> Calibration:
    """Raises StoreError naming the calibration when it is damaged."""
    return Calibration(
        number=row.id,
        procedure=row.procedure_key,
        station=row.station,
        rig=row.rig,
        rig_id=row.rig_id,
        emulated=row.emulated,
        firmware=row.firmware,
        problems=tuple(row.problems),
        document=_document_of(row, "calibration"),
        made_by=row.made_by,
        made_at=row.made_at,
        valid_until=row.valid_until,
        flicks_max=row.flicks_max,
    )


def unit_row(procedure: int, station: str, unit: ReferenceUnit) -> Row:
    known = {
        stick: {place: {name: [one.value, one.limit] for name, one in figures.items()} for place, figures in places.items()}
        for stick, places in unit.values.items()
    }
    same = ("serial", "product", "rig_id", "emulated", "specification")
    return {
        **{name: getattr(unit, name) for name in same},
        "procedure_key": procedure,
        "station": station,
        "known": plain(known),
        "made_by": unit.by,
        "made_at": unit.at,
    }


def unit_of(row: Any) -> ReferenceUnit:
    values = {
        stick: {
            place: {name: ReferenceValue(number_of(value), number_of(limit)) for name, (value, limit) in figures.items()}
            for place, figures in places.items()
        }
        for stick, places in row.known.items()
    }
    return ReferenceUnit(
        serial=row.serial,
        product=row.product,
        rig_id=row.rig_id,
        emulated=row.emulated,
        values=values,
        specification=row.specification,
        procedure=row.procedure_key,
        by=row.made_by,
        at=row.made_at,
    )


def check_row(procedure: int, check: ReferenceCheck) -> Row:
    deviations = [[*_place(one), one.measured, one.reference.value, one.reference.limit] for one in check.deviations]
    return {
        **{name: getattr(check, name) for name in SAME_OF_CHECK},
        "procedure_key": procedure,
        "deviations": plain(deviations),
        "within": check.within,
        "made_by": check.by,
        "made_at": check.at,
    }


def deviation_rows(number: int, check: ReferenceCheck) -> list[Row]:
    """One row per figure, so that a chart need unpack nothing."""
    return [
        {
            "check_key": number,
            **dict(zip(("stick", "place", "figure"), _place(one), strict=True)),
            "measured": finite(one.measured),
            "reference": one.reference.value,
            "allowed": one.reference.limit,
        }
        for one in check.deviations
    ]


def check_of(row: Any) -> ReferenceCheck:
    deviations = tuple(
        Deviation(stick, place, figure, number_of(measured), ReferenceValue(number_of(value), number_of(limit)))
        for stick, place, figure, measured, value, limit in row.deviations
    )
    same = {name: getattr(row, name) for name in SAME_OF_CHECK}
    return ReferenceCheck(number=row.id, procedure=row.procedure_key, **same, deviations=deviations, by=row.made_by, at=row.made_at)


def study_row(procedure: int, study: Study) -> Row:
    return {
        **{name: getattr(study, name) for name in SAME_OF_STUDY},
        "procedure_key": procedure,
        "problems": list(study.problems),
        "peak_u_counts": finite(study.peak_u_counts),
        "made_by": study.by,
        "made_at": study.at,
        **_document(study.document, "study", procedure),
    }


def study_of(row: Any) -> Study:
    """Raises StoreError naming the study when it is damaged."""
    return Study(
        number=row.id,
        procedure=row.procedure_key,
        kind=Kind(row.kind),
        station=row.station,
        rig=row.rig,
        rig_id=row.rig_id,
        emulated=row.emulated,
        product=row.product,
        specification=row.specification,
        problems=tuple(row.problems),
        document=_document_of(row, "study"),
        peak_u_counts=number_of(row.peak_u_counts),
        by=row.made_by,
        at=row.made_at,
    )


def finite(value: float) -> float | None:
    """For a column: null where not known."""
    return float(value) if math.isfinite(value) else None


def number_of(value: float | None) -> float:
    """From a column: NaN where not known."""
    return math.nan if value is None else float(value)


def _place(one: Deviation) -> tuple[str, str, str]:
    return one.stick, one.place, one.figure


def _step_about(procedure: int, position: int, name: str) -> Row:
    """What the digest of a step's figures covers beside their bytes."""
    return {"kind": "step", "procedure": procedure, "position": position, "name": name}


def _document(document: Mapping[str, Any], kind: str, procedure: int) -> Row:
    packed = pack_json(document, {"kind": kind, "procedure": procedure})
    return {"codec": packed.codec, "document": packed.data, "sha256": packed.sha256}


def _document_of(row: Any, kind: str) -> Any:
    packed = Packed(row.codec, row.document, row.sha256)
    return unpack_json(packed, {"kind": kind, "procedure": row.procedure_key}, f"{kind} {row.id}")
