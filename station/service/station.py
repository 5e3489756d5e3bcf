"""The station: its rigs' workers, and the desk at which the doors ask."""

from collections.abc import Callable, Mapping, Sequence
from threading import Event, Thread
from typing import Protocol

from station.errors import Busy, NotFound, NotReady, UsageError
from station.ports import Rig
from station.ports.desk import RigView
from station.records import RunEvent, UnitIdentity
from station.service.ordering import Surroundings
from station.service.worker import RigWorker, worker_thread

STOP_S = 4.0  # workers are given so long to bring their rigs to rest and end


class Beside(Protocol):
    """Something that lives beside the workers in a thread of its own, such as the adviser."""

    def begin(self) -> None: ...

    def end(self) -> None: ...


class Station:
    """Implements station.ports.desk.Desk. `begin` closes what an earlier life left open and starts the workers."""

    def __init__(self, rigs: Sequence[Rig], around: Surroundings, beside: Sequence[Beside] = ()) -> None:
        self._around = around
        self._beside = tuple(beside)
        self._workers = {rig.name: RigWorker(rig, around) for rig in rigs}
        self._stop = Event()
        self._threads: list[Thread] = []

    def begin(self) -> Sequence[int]:
        """Returns the numbers of the runs found open and closed as invalid. Raises StoreError."""
        closed = self._around.sink.close_interrupted(self._around.station, self._around.clock.utc())
        self._threads = [worker_thread(worker, self._stop) for worker in self._workers.values()]
        for thread in self._threads:
            thread.start()
        for one in self._beside:
            one.begin()
        return closed

    def end(self) -> None:
        """Fingers to rest, workers ended, ports given back. Idempotent."""
        self._stop.set()
        self.rest_now()
        for thread in self._threads:
            thread.join(STOP_S)
        for one in self._beside:
            one.end()

    def rest_now(self) -> None:
        """Ask every rig for rest; may be called from a signal handler."""
        for worker in self._workers.values():
            worker.rig.request_halt()

    def rigs(self) -> Sequence[RigView]:
        return [worker.view() for worker in self._workers.values()]

    def rig(self, name: str) -> RigView:
        return self.worker(name).view()

    def scan(self, rig: str, unit: UnitIdentity, operator: str) -> RigView:
        worker = self.worker(rig)
        self._require_idle(worker)
        if self._around.shelf.of(unit.product) is None:
            known = ", ".join(self._around.shelf.products()) or "none"
            raise UsageError(f"product is {unit.product!r}; expected one with a specification here: {known}")
        worker.inbox.ask(lambda served: served.do_scan(unit, operator))
        return worker.view()

    def start(self, rig: str) -> RigView:
        worker = self.worker(rig)
        self._require_idle(worker)
        not_ready = worker.view().not_ready
        if not_ready:
            raise NotReady(" ".join(not_ready), not_ready=list(not_ready))
        worker.inbox.ask(lambda served: served.do_start())
        return worker.view()

    def halt(self, rig: str) -> RigView:
        worker = self.worker(rig)
        worker.rig.request_halt()
        return worker.view()

    def reset(self, rig: str) -> RigView:
        worker = self.worker(rig)
        self._require_idle(worker)
        worker.inbox.ask(lambda served: served.do_reset())
        return worker.view()

    def alarms(self) -> Mapping[str, str]:
        return self._around.watchman.alarms()

    def set_back(self, specification: str, operator: str, cause: str) -> None:
        if not operator.strip() or not cause.strip():
            raise UsageError("operator and cause are wanted: who sets the monitor back, and what was found")
        document = self._around.watchman.set_back(specification)
        if document is None:
            raise NotFound(f"nothing is watched under {specification!r}; expected a specification's label such as 'dunlin-2 A'")
        self._around.sink.keep_monitor(specification, document, self._around.clock.utc())
        sentence = f"The pooled monitor of {specification} was set back by {operator.strip()}: {cause.strip()}"
        self._around.events.add(RunEvent("notice", "", {"sentence": sentence}))

    def recent_events(self, rig: str | None = None, after: int = 0) -> Sequence[tuple[int, RunEvent]]:
        return self._around.events.recent(rig, after)

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        return self._around.events.watch(wake)

    def ready(self) -> Mapping[str, str]:
        checks = {f"rig {view.name}": "" if view.state not in ("unlinked", "fault") else view.sentence for view in self.rigs()}
        for name, worker in self._workers.items():
            checks[f"proof of {name}"] = " ".join(worker.conductor.proof().blocks)
        checks["specifications"] = "" if self._around.shelf.products() else "No specification is loaded."
        return checks

    def worker(self, name: str) -> RigWorker:
        """For those who build the station. Raises NotFound."""
        worker = self._workers.get(name)
        if worker is None:
            known = ", ".join(self._workers) or "none"
            raise NotFound(f"rig is {name!r}; expected one of: {known}")
        return worker

    def _require_idle(self, worker: RigWorker) -> None:
        view = worker.view()
        if view.state == "running":
            raise Busy(f"Rig {view.name} is in run {view.run_number}: wait for its end, or halt it.")
        if view.state == "proving":
            raise Busy(f"Rig {view.name} carries out a step of a procedure: wait for its end, or halt it.")
