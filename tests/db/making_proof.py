"""Procedures, what comes of them, and runs that tell of their rig, for the tests of the store."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

from db.proof import ProofStore
from db.store import SqlStore
from station.proof import (
    Baseline,
    Calibration,
    ChartKey,
    Deviation,
    Kind,
    Note,
    Opening,
    Outcome,
    ReferenceCheck,
    ReferenceUnit,
    ReferenceValue,
    Signal,
    StepResult,
    Study,
)
from station.records import Verdict
from tests.db.making import START, STATION, closing, opening, rig

MINUTE = timedelta(minutes=1)
RIG_ID, FIRMWARE, BY = "R-0001", "1.4", "a. marsh"
NAN = float("nan")
HEALTH = {
    "push_latency_s": 0.0121,
    "push_jitter_s": 0.0004,
    "push_s": 0.011,
    "release_s": 0.0305,
    "release_jitter_s": 0.0003,
    "release_speed_share_s": 410.0,
    "noise_x_counts": 0.31,
    "noise_y_counts": 0.29,
}
SPEED = ChartKey("release-speed", rig="rig-1")


def proof_of(store: SqlStore) -> ProofStore:
    return ProofStore(store.database, store.station)


def begun(kind: Kind = Kind.CALIBRATION, minute: int = 0, **changes: Any) -> Opening:
    whole = Opening(kind, STATION, "rig-1", RIG_ID, True, FIRMWARE, {"flicks": 50, "voltages_v": [0.5, 2.5]}, BY, START + minute * MINUTE)
    return replace(whole, **changes)


def step(position: int = 1, minute: int = 1, **figures: Any) -> StepResult:
    return StepResult(position, f"step-{position}", figures or {"reach_counts": 76.8, "flicks": [1, 2, 3]}, BY, START + minute * MINUTE)


def calibration(procedure: int, minute: int = 9, **changes: Any) -> Calibration:
    at = START + minute * MINUTE
    whole = Calibration(
        number=0,
        procedure=procedure,
        station=STATION,
        rig="rig-1",
        rig_id=RIG_ID,
        emulated=True,
        firmware=FIRMWARE,
        problems=(),
        document={"latency_s": {"value": 0.012, "u": 0.0001}, "residuals": [0.1, -0.1]},
        made_by=BY,
        made_at=at,
        valid_until=at + timedelta(days=90),
        flicks_max=500_000,
    )
    return replace(whole, **changes)


def unit(procedure: int, serial: str = "REF-01", peak: float = 19.5, **changes: Any) -> ReferenceUnit:
    values = {"main": {"x+": {"peak_counts": ReferenceValue(peak, 0.8)}, "x": {"rest_counts": ReferenceValue(128.0, 1.0)}}}
    return replace(ReferenceUnit(serial, "dunlin-2", RIG_ID, True, values, "dunlin-2 A", procedure, BY, START), **changes)


def check(procedure: int, peak: float = 19.7, rest: float = 128.2, minute: int = 9, **changes: Any) -> ReferenceCheck:
    deviations = (
        Deviation("main", "x+", "peak_counts", peak, ReferenceValue(19.5, 0.8)),
        Deviation("main", "x", "rest_counts", rest, ReferenceValue(128.0, 1.0)),
    )
    whole = ReferenceCheck(
        number=0,
        procedure=procedure,
        station=STATION,
        rig="rig-1",
        rig_id=RIG_ID,
        emulated=True,
        firmware=FIRMWARE,
        calibration="C-1",
        serial="REF-01",
        product="dunlin-2",
        deviations=deviations,
        by=BY,
        at=START + minute * MINUTE,
    )
    return replace(whole, **changes)


def study(procedure: int, kind: Kind = Kind.GAUGE_STUDY, **changes: Any) -> Study:
    whole = Study(
        number=0,
        procedure=procedure,
        kind=kind,
        station=STATION,
        rig="rig-1",
        rig_id=RIG_ID,
        emulated=True,
        product="dunlin-2",
        specification="dunlin-2 A",
        problems=(),
        document={"anova": [1.0, 2.0]},
        peak_u_counts=0.12,
        by=BY,
        at=START,
    )
    return replace(whole, **changes)


MAKERS: dict[Kind, Any] = {
    Kind.CALIBRATION: calibration,
    Kind.REFERENCE_VALUES: unit,
    Kind.REFERENCE_CHECK: check,
    Kind.GAUGE_STUDY: study,
    Kind.TYPE_1_STUDY: lambda procedure, **changes: study(procedure, Kind.TYPE_1_STUDY, **changes),
}


def concluded(proof: ProofStore, kind: Kind, minute: int = 0, **changes: Any) -> Any:
    """What came of a procedure that was begun, had one step, and ended. rig, emulated, ... in changes go to procedure and outcome."""
    shared = {name: changes[name] for name in ("rig", "rig_id", "emulated", "firmware", "station") if name in changes}
    number = proof.begin_procedure(begun(kind, minute, **shared))
    proof.keep_step(number, step(minute=minute))
    if kind is Kind.REFERENCE_VALUES:
        changes = {name: value for name, value in changes.items() if name not in ("rig", "firmware", "station")}
    outcome: Outcome = MAKERS[kind](number, **changes)
    return proof.conclude(number, outcome, START + (minute + 1) * MINUTE)


def baseline(chart: ChartKey = SPEED, first: str = "1", last: str = "20", minute: int = 0) -> Baseline:
    return Baseline(chart, first, last, {"kind": "i-mr", "centre": 410.0, "sigma": 3.0}, ("beyond",), BY, START + minute * MINUTE)


def signal(point: str = "21", rule: str = "beyond", chart: ChartKey = SPEED, minute: int = 0) -> Signal:
    return Signal(chart, point, rule, ("20", point), f"Run {point} is beyond its limit.", START + minute * MINUTE)


def note(point: str = "21", chart: ChartKey = SPEED, minute: int = 0) -> Note:
    return Note(chart, point, "finger worn", "finger replaced", BY, START + minute * MINUTE)


def closed_run(
    store: SqlStore,
    serial: str = "DL2-00001",
    minute: int = 0,
    verdict: Verdict = Verdict.PASS,
    health: dict[str, float] | None = None,
    emulated: bool = True,
    rig_id: str = RIG_ID,
    **changes: Any,
) -> int:
    """A closed run. changes: lot, product, rig_name, ... of its opening; flicks, scores, evidence of its closing."""
    at = START + minute * MINUTE
    ending: dict[str, Any] = {name: changes.pop(name) for name in ("flicks", "scores", "evidence") if name in changes}
    number = store.open_run(opening(serial, at, rig=rig(emulated, rig_id), **changes))
    told: dict[str, Any] = {"flicks": 84, "health": HEALTH if health is None else health, **ending}
    store.close_run(number, closing(number, verdict, at + timedelta(seconds=20), traces={}, **told))
    return number


def one_of_every_proof(store: SqlStore) -> None:
    """Rows in every table of proving, for a database that has a decided run that told of its rig."""
    proof = proof_of(store)
    for minute, kind in enumerate(Kind):
        concluded(proof, kind, minute)
    proof.keep_baseline(baseline())
    proof.keep_signals([signal()])
    proof.keep_note(note())
