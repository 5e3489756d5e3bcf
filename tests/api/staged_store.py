"""A database in which rig "a" has been proven by everything there is, and rig "b" by nothing."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from db.migrate import create_or_require
from db.proof import ProofStore
from db.store import SqlStore
from station.errors import NotFound
from station.proof import ChartKey, Kind, Opening, Outcome, Procedure, Standing, StepResult
from station.prove.calibration_limits import CalibrationLimits
from station.records import Verdict
from station.service.proving.charting import ChartWatch
from station.service.proving.conductor import Proving
from station.service.proving.course import Concluding, Course
from station.service.proving.courses import all_courses
from station.service.proving.desk import StationProof
from tests.api.filled import SPECIFICATION, SPECIFICATION_TEXT
from tests.api.staged import (
    NOW,
    PARTS,
    PEOPLE,
    REFERENCE,
    SHORT,
    STATION,
    SteadyClock,
    figures_of,
    identity_of,
    scattered,
    specification_of,
)
from tests.db.making import START
from tests.db.making_proof import HEALTH, closed_run

SPEED = ChartKey("release-speed", "a")
PEAK = ChartKey("reference", "a", "dunlin-2", "", "main x+ peak_counts")
RUNS, CHECKS = 80, 30
FIRST, IN_FORCE, REFUSED = 1, 2, 3  # calibrations
GAUGE, TYPE_1 = 1, 2  # studies
OFF = CHECKS - 2  # the check that lay outside its limits
SLOW = RUNS - 3  # the run whose release speed lies below its limit


def proven_store(folder: Path) -> str:
    """Address of a database with three calibrations, a reference unit and its checks, two studies, and runs that tell of wear."""
    url = f"sqlite:///{folder / 'results.sqlite'}"
    create_or_require(url)
    store = SqlStore(url, STATION)
    try:
        store.keep_specification(SPECIFICATION_TEXT, SPECIFICATION, NOW - timedelta(days=100))
        _fill(store, ProofStore(store.database, STATION))
    finally:
        store.close()
    return url


def _fill(store: SqlStore, book: ProofStore) -> None:
    good, strict = all_courses(CalibrationLimits(), book), all_courses(CalibrationLimits(stroke_least_deg=38.01, lag1_most=0.001), book)
    carried(book, good, Kind.CALIBRATION, SHORT, 95 * 24)
    carried(book, good, Kind.CALIBRATION, SHORT, 20 * 24)
    carried(book, strict, Kind.CALIBRATION, SHORT, 19 * 24)
    carried(book, good, Kind.REFERENCE_VALUES, {"serial": REFERENCE, "product": "dunlin-2"}, 18 * 24)
    plan = {"product": "dunlin-2", "parts": list(PARTS), "operators": list(PEOPLE), "trials": 3}
    carried(book, good, Kind.GAUGE_STUDY, plan, 17 * 24)
    carried(book, good, Kind.TYPE_1_STUDY, {"serial": REFERENCE}, 16 * 24)
    for number in range(1, CHECKS + 1):
        shift = {"peak_counts": 0.9} if number == OFF else {}
        carried(book, good, Kind.REFERENCE_CHECK, {"serial": REFERENCE}, 12 * (CHECKS - number) + 1, shift)
    _tell_of_wear(store)
    _freeze(book)


def carried(
    book: ProofStore,
    courses: Mapping[Kind, Course],
    kind: Kind,
    asked: Mapping[str, Any],
    hours_ago: float,
    shift: Mapping[str, float] | None = None,
) -> Outcome:
    """A procedure of rig "a" from its beginning to what comes of it. shift: of a check, added to all figures of a name."""
    identity, course, at = identity_of("a"), courses[kind], NOW - timedelta(hours=hours_ago)
    plan = course.plan(asked, identity, specification_of)
    opening = Opening(kind, STATION, "a", identity.rig_id, True, identity.firmware, plan, PEOPLE[0], at)
    procedure = Procedure(book.begin_procedure(opening), opening, Standing.OPEN)
    results = []
    for step in course.steps(plan):
        figures = figures_of(kind, procedure, step) if shift is None else scattered(7 * procedure.number, shift)
        result = StepResult(step.position, step.name, figures, step.operator or PEOPLE[0], at + timedelta(minutes=step.position))
        book.keep_step(procedure.number, result)
        results.append(result)
    units = tuple(book.reference_units(identity.rig_id, True))
    around = Concluding(at + timedelta(minutes=len(results)), f"C-{IN_FORCE}", units, specification_of)
    return book.conclude(procedure.number, course.conclude(replace(procedure, results=tuple(results)), around), around.at)


def _tell_of_wear(store: SqlStore) -> None:
    """Runs of rig "a" whose finger wears: touched later, let go earlier; one of them slow."""
    random = np.random.default_rng(5)
    first = int((NOW - timedelta(days=6) - START) / timedelta(minutes=1))
    for number in range(1, RUNS + 1):
        spread = {name: value * (1.0 + 0.01 * random.standard_normal()) for name, value in HEALTH.items()}
        spread |= {"push_latency_s": spread["push_latency_s"] + 4e-5 * number, "release_s": spread["release_s"] - 4e-5 * number}
        if number == SLOW:
            spread["release_speed_share_s"] = 394.0
        changes: dict[str, Any] = {
            "station": STATION,
            "rig_name": "a",
            "lot": "ML-2607" if number <= 50 else "ML-2611",
            "calibration": "C-2",
        }
        verdict = Verdict.FAIL if number % 17 == 0 else Verdict.PASS
        closed_run(store, f"DN-{1000 + number}", first + 100 * number, verdict, spread, rig_id=identity_of("a").rig_id, **changes)


def _freeze(book: ProofStore) -> None:
    """Limits of the release speed, and the signals that came after."""
    desk = StationProof(Proving(STATION, book, SteadyClock(), {}, specification_of, lambda serial: {}), _nobody, ())
    keys = [point.key for point in book.chart_points(SPEED, 100)]
    desk.freeze(SPEED, keys[0], keys[54], (), PEOPLE[0])
    ChartWatch(book, SteadyClock(), lambda kind, data: None).look(SPEED)


def _nobody(name: str) -> Any:
    raise NotFound(name)
