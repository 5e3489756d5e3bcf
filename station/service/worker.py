"""One worker per rig: keeps the link, watches the inputs, takes requests, runs runs. Its loop sends the heartbeats, so a hang is a rest."""

import logging
from collections.abc import Mapping
from dataclasses import replace
from threading import Event, Lock, Thread
from typing import Any

from station.errors import NotReady, RigError, RigRefused, StoreError, UsageError
from station.ports import Lamp, LampColour, Reset, Rig, Unclamp
from station.ports.desk import RigView
from station.proof import Kind
from station.records import RigIdentity, RigStatus, RunClosing, RunEvent, UnitIdentity, Verdict
from station.service.act import Bench as Hands
from station.service.cycle import Run, RunOrder
from station.service.inbox import Inbox
from station.service.ordering import Surroundings, Topic, order_of
from station.service.proving.conductor import Asked, Conductor
from station.service.proving.lead import Lead
from station.service.pulse import BeatingRig
from station.service.readiness import AfterRun, Bench, missing, way_on
from station.service.views import LinkState, RigFacts, view_of

log = logging.getLogger(__name__)

TURN_S = 0.02  # one turn of the idle loop: a request waits no longer
BACK_OFF_S = (0.2, 0.5, 1.0, 2.0, 5.0)  # between tries to open a lost link
STORE_RETRY_S = 1.0


class RigWorker:
    """Owner of one rig. `turn` is one step of its life; `run_until` repeats it in a thread of its own."""

    def __init__(self, rig: Rig, around: Surroundings) -> None:
        self.rig: Rig = BeatingRig(rig, lambda: around.alive(rig.name))
        self.inbox = Inbox()
        self._around = around
        self._lock = Lock()
        self._facts = RigFacts(name=rig.name)
        self._view = view_of(self._facts)
        self._identity: RigIdentity | None = None
        self._after: AfterRun | None = None
        self._unit: UnitIdentity | None = None
        self._operator = ""
        self._presses = 0
        self._asked = False
        self._openings = 0
        self._tries = 0
        self._retry_at_s = 0.0
        self._store_at_s = 0.0
        self._unstored: tuple[int, RunClosing] | None = None
        self._store_problem = ""
        self._unknown = ""
        self._conductor = Conductor(rig.name, around.proving)
        self._lead = Lead(self.rig, self._conductor, around.proving, self._tell_proving)

    # --- for other threads

    def view(self) -> RigView:
        with self._lock:
            return self._view

    @property
    def conductor(self) -> Conductor:
        """For reading; its other verbs belong to this worker."""
        return self._conductor

    # --- the worker's own thread

    def run_until(self, stop: Event) -> None:
        """Turn until told to stop; then bring the finger to rest and give the port back."""
        try:
            while not stop.is_set():
                self._guarded_turn()
        finally:
            self.rig.halt()
            self.rig.close()
            if self._unstored is not None:
                self._record(*self._unstored)

    def _guarded_turn(self) -> None:
        """A fault of ours must not leave a rig without its worker: rest, tell, begin again at the handshake."""
        try:
            self.turn()
        except Exception as problem:
            log.exception("worker of %s", self.rig.name)
            self._link_down(RigError(f"The service made a mistake ({type(problem).__name__}); see its log."))

    def turn(self) -> None:
        """One step: link, requests, inputs, perhaps a run. Never raises for trouble of the rig."""
        self._around.alive(self.rig.name)
        try:
            if self._identity is None:
                self._connect()
                return
            status = self.rig.poll(TURN_S)
            self._store_again()
            self.inbox.serve(self)
            self._look(status)
        except RigRefused as refusal:
            self._announce("notice", {"sentence": str(refusal)})
        except RigError as trouble:
            self._link_down(trouble)

    def _connect(self) -> None:
        now_s = self._around.clock.monotonic_s()
        self.inbox.serve(self)
        if now_s < self._retry_at_s:
            self._around.clock.sleep(TURN_S)
            return
        self._identity = self.rig.connect()
        self._tries = 0
        status = self.rig.poll(TURN_S)
        self._presses, self._openings = status.inputs.start_presses, status.inputs.clamp_openings
        if self._after is not None:  # a rig that restarted counts its edges anew
            self._after = replace(self._after, inputs=status.inputs)
        self._load_proof(self._identity)
        self._tell(link=LinkState.UP, identity=self._identity, status=status, trouble="")
        self._tell_proving()

    def _load_proof(self, identity: RigIdentity) -> None:
        """Look up how the rig is proven; while that cannot be known, it is not."""
        try:
            self._conductor.load(identity)
            self._unknown = ""
        except StoreError as problem:
            self._unknown = f"How rig {self.rig.name} is proven cannot be looked up: {problem}"
            self._store_at_s = self._around.clock.monotonic_s() + STORE_RETRY_S

    def _link_down(self, trouble: RigError) -> None:
        self._identity = None
        self._unit = None
        self.rig.halt()
        self.rig.close()
        wait_s = BACK_OFF_S[min(self._tries, len(BACK_OFF_S) - 1)]
        self._tries += 1
        self._retry_at_s = self._around.clock.monotonic_s() + wait_s
        self._tell(link=LinkState.DOWN, status=None, unit=None, trouble=str(trouble))

    def _look(self, status: RigStatus) -> None:
        inputs = status.inputs
        if inputs.clamp_openings != self._openings:
            self._openings = inputs.clamp_openings
            self._unit = None
        pressed = self._asked or inputs.start_presses != self._presses
        self._presses, self._asked = inputs.start_presses, False
        not_ready = missing(self._bench(status))
        self._tell(status=status, unit=self._unit, not_ready=not_ready)
        wanted, self._conductor.asked = self._conductor.asked, None
        if self._conductor.number and (pressed or wanted) and self._identity is not None:
            self._lead.step(wanted or Asked(""), self._identity, status)
        elif pressed:
            self._start(status, not_ready)

    def _bench(self, status: RigStatus) -> Bench:
        specification = self._around.shelf.of(self._unit.product) if self._unit else None
        return Bench(
            status,
            self._unit,
            specification.label if specification else "",
            self._after,
            self._store_problem,
            unproven=(self._unknown,) if self._unknown else self._conductor.proof().blocks,
            trial=specification is not None and specification.decision.trial_runs,
        )

    # --- requests, called from the inbox in this thread

    def do_scan(self, unit: UnitIdentity, operator: str) -> None:
        """Take the unit's identity; starts nothing."""
        self._unit, self._operator = unit, operator
        hint = ""
        try:
            hint = way_on(self._around.sink.last_run(unit.serial))
        except StoreError as problem:
            hint = str(problem)
        self._tell(unit=unit, way_on=hint, ended=None)

    def do_start(self) -> None:
        """Start in the coming turn, after the same checks as for the button."""
        self._asked = True

    def do_reset(self) -> None:
        self.rig.carry_out(Reset())

    def do_begin(self, kind: Kind, plan: Mapping[str, Any], operator: str) -> None:
        """Open a procedure; moves nothing."""
        self._conductor.begin(kind, plan, operator)
        self._tell_proving()

    def do_go_on(self, number: int, asked: Asked) -> None:
        """Carry a step of the open procedure out in the coming turn."""
        self._conductor.require(number, asked.position)
        self._conductor.asked = asked

    def do_abandon(self, number: int, operator: str, cause: str) -> None:
        self._conductor.require(number)
        self._conductor.abandon(operator, cause)
        self._tell_proving()

    def _start(self, status: RigStatus, not_ready: tuple[str, ...]) -> None:
        if not_ready or self._unit is None or self._identity is None:
            self._announce("notice", {"sentence": "Start was pressed, but: " + " ".join(not_ready)})
            return
        specification = self._around.shelf.of(self._unit.product)
        if specification is None:
            return
        try:
            topic = Topic(self.rig.name, self._identity, status.inputs, self._unit, self._operator, specification)
            order = order_of(self._around, topic, self._conductor, self._unknown)
            run = Run(Hands(self.rig, self._around.clock, self._around.sink, self._announce), order, self._around.watchman)
            closing = run.perform()
        except (StoreError, UsageError, NotReady) as problem:
            self._announce("notice", {"sentence": f"The run did not start: {problem}"})
            return
        self._record(run.number, closing)
        self._farewell(run.number, order, closing)

    def _record(self, number: int, closing: RunClosing) -> None:
        try:
            self._around.sink.close_run(number, closing)
            self._unstored, self._store_problem = None, ""
            self._conductor.count(closing.flicks)
            self._around.run_ended(number)
        except StoreError as problem:
            self._unstored = (number, closing)
            self._store_problem = f"Run {number} is not stored yet: {problem}"
            self._store_at_s = self._around.clock.monotonic_s() + STORE_RETRY_S

    def _store_again(self) -> None:
        if self._around.clock.monotonic_s() < self._store_at_s:
            return
        if self._unstored is not None:
            self._record(*self._unstored)
        if self._unknown and self._identity is not None:
            self._load_proof(self._identity)

    def _farewell(self, number: int, order: RunOrder, closing: RunClosing) -> None:
        """Say the verdict, show it on the lamp, open the clamp unless a fault is latched."""
        ended = {
            "verdict": str(closing.verdict),
            "reasons": list(closing.reasons),
            "explanation": closing.explanation,
            "unit": order.unit.serial,
            "timing": dict(closing.timing),
        }
        self._tell(run_number=0, ended=(number, closing))
        self._announce("run-ended", {"run": number, **ended})
        for score in closing.scores.values():
            correlation = score.figures.get("correlation")
            if correlation and correlation["beyond_assumption"]:
                self._announce("notice", {"sentence": f"Run {number}: {correlation['in_words']}"})
        lamp = {Verdict.PASS: LampColour.PASS, Verdict.FAIL: LampColour.FAIL}.get(closing.verdict, LampColour.ATTENTION)
        self._after = AfterRun(order.unit.serial, order.inputs)
        status = self.rig.poll(0.0)
        self._after = AfterRun(order.unit.serial, status.inputs)
        self.rig.carry_out(Lamp(lamp))
        if not status.fault:
            self.rig.carry_out(Unclamp())

    # --- telling

    def _tell_proving(self) -> None:
        conductor = self._conductor
        self._tell(proving=conductor.line(), proving_busy=conductor.busy)
        self._announce("procedure", {"number": conductor.number, "line": conductor.line(), "busy": conductor.busy})

    def _announce(self, kind: str, data: Mapping[str, Any]) -> None:
        if kind == "run-started":
            self._tell(run_number=data["run"], progress={}, ended=None)
        elif kind in ("flick", "round"):
            self._tell(progress=data["progress"])
        self._around.events.add(RunEvent(kind, self.rig.name, data))

    def _tell(self, **changes: Any) -> None:
        with self._lock:
            self._facts = self._facts.with_changes(changes)
            view = view_of(self._facts)
            changed, self._view = view != self._view, view
        if changed:
            self._around.events.add(RunEvent("rig", self.rig.name, {"state": view.state, "sentence": view.sentence}))


def worker_thread(worker: RigWorker, stop: Event) -> Thread:
    """A thread, not started, that lives the worker's life until `stop`."""
    return Thread(target=worker.run_until, args=(stop,), name=f"rig {worker.rig.name}")
