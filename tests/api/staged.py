"""A desk of proving over a real database, whose steps are played back from a recording instead of being carried out on a rig."""

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from threading import Event, Thread
from typing import Any

import numpy as np
from fastapi import FastAPI

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.proof import ProofStore
from db.queries import Queries
from db.store import SqlStore
from rigs.emulated.settings import RigSettings
from station.errors import NotFound, RestpointError
from station.ports.desk import RigView
from station.proof import Kind, Outcome, Procedure, Step, StepResult
from station.prove.calibration_limits import CalibrationLimits
from station.records import RigIdentity, RunEvent
from station.service.inbox import Inbox
from station.service.proving.calibrating import CalibrationCourse
from station.service.proving.conductor import Asked, Conductor, Proving
from station.service.proving.course import Concluding, Course, ProofBench, SpecificationOf
from station.service.proving.courses import all_courses
from station.service.proving.desk import StationProof
from station.specification import Specification
from tests.api.fakes import RIG, FakeDesk
from tests.api.filled import SPECIFICATION
from tests.station.service import calibrated, proving_bench

STATION = "Mossgate bench"
NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
REFERENCE, PARTS, PEOPLE = "DN-REF1", ("DN-0201", "DN-0202", "DN-0203", "DN-0204", "DN-0205"), ("A. Marsh", "B. Reed")
SCATTER = {"peak_counts": 0.12, "reach_counts": 0.05, "rest_counts": 0.06, "noise_counts": 0.004, "supply_v": 0.001}
TIMING_S = 6e-5
SHORT = {"sweeps": 3, "flicks": 24}  # the least a calibration may have
SHARE = 0.003  # of the value, standard deviation of whatever else is measured


@dataclass
class SteadyClock:
    """Counts on from NOW, so that what is valid stays so."""

    began_s: float = field(default_factory=time.monotonic)

    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return NOW + timedelta(seconds=time.monotonic() - self.began_s)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


@lru_cache(maxsize=1)
def calibration_results() -> tuple[StepResult, ...]:
    """Every step of a calibration of an emulated rig, in virtual time."""
    rig = calibrated.virtual_rig(settings=RigSettings(sample_rate_hz=4_800))  # half the work of a usual one
    return calibrated.perform_all(CalibrationCourse(), rig.bench, SHORT).results


@lru_cache(maxsize=1)
def measured() -> dict[str, Any]:
    """One measurement of an emulated unit, in virtual time."""
    return proving_bench.proving_rig(SPECIFICATION, [proving_bench.unit(REFERENCE)]).measure(REFERENCE)


def scattered(seed: int, shift: Mapping[str, float] | None = None) -> dict[str, Any]:
    """The measurement as another one of the same unit might have been. shift: added to all figures of a name."""
    random, whole = np.random.default_rng(seed), measured()

    def one(name: str, value: float | None) -> float | None:
        if value is None:
            return None
        timing = name in ("release_s", "push_latency_s")
        sd = TIMING_S if timing else SCATTER.get(name, SHARE * abs(value))
        return float(value + (shift or {}).get(name, 0.0) + sd * random.standard_normal())

    sticks = {
        stick: {place: {name: one(name, value) for name, value in figures.items()} for place, figures in places.items()}
        for stick, places in whole["sticks"].items()
    }
    return {**whole, "sticks": sticks}


def figures_of(kind: Kind, procedure: Procedure, step: Step) -> Mapping[str, Any]:
    """What a step would have measured."""
    if kind is Kind.CALIBRATION:
        return next(one.figures for one in calibration_results() if one.name == step.name)
    part = int(step.name.rsplit("-", 1)[-1]) if kind is Kind.GAUGE_STUDY else 0
    own = 0.25 if step.operator == PEOPLE[1] else 0.0
    return scattered(1000 * procedure.number + step.position, {"peak_counts": 1.4 * part + own})


@dataclass
class Played:
    """A course whose steps are not carried out but told; each takes pace_s. failing: why the next tries come to nothing."""

    course: Course
    kind: Kind
    pace_s: float = 0.3
    failing: list[RestpointError] = field(default_factory=list)

    def plan(self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: SpecificationOf) -> dict[str, Any]:
        return self.course.plan(asked, identity, specification_of)

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        return self.course.steps(plan)

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        for number in (1, 2, 3):
            bench.say(f"{step.title}: {number} of 3")
            time.sleep(self.pace_s / 3)
        if self.failing:
            raise self.failing.pop()
        return figures_of(self.kind, procedure, step)

    def conclude(self, procedure: Procedure, around: Concluding) -> Outcome:
        return self.course.conclude(procedure, around)


def identity_of(rig: str) -> RigIdentity:
    return replace(RIG, rig_id=f"{RIG.rig_id}-{rig}")


class StagedWorker:
    """Serves a rig's inbox and its conductor; there is no rig."""

    def __init__(self, rig: str, around: Proving, desk: FakeDesk) -> None:
        self.inbox, self.conductor = Inbox(), Conductor(rig, around)
        self._rig, self._desk, self._end = rig, desk, Event()
        self.conductor.load(identity_of(rig))
        self._thread = Thread(target=self._live, name=f"staged {rig}")
        self._thread.start()

    def view(self) -> RigView:
        return replace(self._desk.rig(self._rig), rig_id=identity_of(self._rig).rig_id)

    def do_scan(self, unit: Any, operator: str) -> None: ...

    def do_start(self) -> None: ...

    def do_reset(self) -> None: ...

    def do_begin(self, kind: Kind, plan: Mapping[str, Any], operator: str) -> None:
        self.conductor.begin(kind, plan, operator)
        self._tell()

    def do_go_on(self, number: int, asked: Asked) -> None:
        self.conductor.require(number, asked.position)
        self.conductor.asked = asked

    def do_abandon(self, number: int, operator: str, cause: str) -> None:
        self.conductor.require(number)
        self.conductor.abandon(operator, cause)
        self._tell()

    def press(self) -> None:
        """The start button of the rig."""
        self.conductor.asked = Asked("")

    def end(self) -> None:
        self._end.set()
        self._thread.join(10)

    def _live(self) -> None:
        while not self._end.wait(0.02):
            self.inbox.serve(self)
            asked, self.conductor.asked = self.conductor.asked, None
            if asked is not None and self.conductor.number:
                self._step(asked)

    def _step(self, asked: Asked) -> None:
        try:
            step = self.conductor.next(asked.position)
            if step is None:
                self.conductor.conclude()
            else:
                by = asked.operator or step.operator or self.conductor.opener()
                self.conductor.carry_out(bench_that_tells, step, by, self._tell)
        except RestpointError as problem:
            self.conductor.failed(str(problem))
        self._tell()

    def _tell(self) -> None:
        one = self.conductor
        self._desk.tell(RunEvent("procedure", self._rig, {"number": one.number, "line": one.line(), "busy": one.busy}))


def bench_that_tells(stream: int, say: Any) -> ProofBench:
    nothing: Any = None
    return ProofBench(nothing, SteadyClock(), RIG, stream, specification_of, lambda serial: {}, say)


def specification_of(product: str) -> Specification | None:
    return SPECIFICATION if product == SPECIFICATION.name else None


@dataclass
class Stage:
    """A station of two rigs, "a" and "b"."""

    desk: FakeDesk
    book: ProofStore
    proof: StationProof
    app: FastAPI
    courses: Mapping[Kind, Played]
    workers: Mapping[str, StagedWorker]


@contextmanager
def staged(url: str, settings: WebSettings | None = None, access: Access | None = None) -> Iterator[Stage]:
    """The web application over a database."""
    store, queries = SqlStore(url, STATION), Queries(url)
    book, desk = ProofStore(store.database, STATION), FakeDesk(("a", "b"))
    courses = {kind: Played(course, kind) for kind, course in all_courses(CalibrationLimits(), book).items()}
    around = Proving(STATION, book, SteadyClock(), courses, specification_of, lambda serial: {})
    workers = {name: StagedWorker(name, around, desk) for name in desk.names}
    try:
        proof = StationProof(around, lambda name: _known(workers, name), tuple(workers))
        shown = settings or WebSettings(STATION, "0.1.0", zone="Europe/London", cautions=("Bench 3: ask the shift lead first.",))
        yield Stage(desk, book, proof, build_app(desk, queries, access or Access(), shown, None, proof), courses, workers)
    finally:
        for worker in workers.values():
            worker.end()
        queries.close()
        store.close()


def _known(workers: Mapping[str, StagedWorker], name: str) -> StagedWorker:
    if name not in workers:
        raise NotFound(f"rig is {name!r}; expected one of: {', '.join(workers)}")
    return workers[name]
