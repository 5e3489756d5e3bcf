"""Stand-ins for the doors' tests: a desk that does what it is told, and a service on a free port."""

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import uvicorn
from fastapi import FastAPI

from api.http.server import StationServer, station_server
from station.errors import Busy, NotFound, NotReady, RestpointError
from station.ports.desk import RigView
from station.records import RigIdentity, RunEvent, UnitIdentity

RIG = RigIdentity("finger-7", "2.1.0", 1, 12, True, 8000, 12, 3.3, 1_000_000)
INPUTS = {"clamp_closed": True, "guard_closed": True, "stop_good": True}


@dataclass
class FakeDesk:
    """One or more rigs whose state the test sets; every request is written down in `asked`."""

    names: Sequence[str] = ("a",)
    asked: list[tuple[Any, ...]] = field(default_factory=list)
    checks: dict[str, str] = field(default_factory=dict)
    trouble: RestpointError | None = None
    alarmed: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._views = {name: _view(name) for name in self.names}
        self._events: list[tuple[int, RunEvent]] = []
        self._watchers: list[Callable[[], None]] = []
        self._lock = threading.Lock()

    def rigs(self) -> Sequence[RigView]:
        return list(self._views.values())

    def rig(self, name: str) -> RigView:
        if name not in self._views:
            raise NotFound(f"rig is {name!r}; expected one of: {', '.join(self._views)}")
        return self._views[name]

    def scan(self, rig: str, unit: UnitIdentity, operator: str) -> RigView:
        self._note("scan", rig, unit, operator)
        if self.rig(rig).state == "running":
            raise Busy(f"Rig {rig} is in run {self.rig(rig).run_number}: wait for its end, or halt it.")
        return self.show(rig, unit=unit, state="ready", sentence="Ready: press start on the rig.", not_ready=(), verdict="", reasons=())

    def start(self, rig: str) -> RigView:
        self._note("start", rig)
        view = self.rig(rig)
        if view.not_ready:
            raise NotReady(" ".join(view.not_ready), not_ready=list(view.not_ready))
        return self.show(rig, state="running", run_number=41, sentence="Run 41: the unit is being flicked. Keep hands out.")

    def halt(self, rig: str) -> RigView:
        self._note("halt", rig)
        return self.rig(rig)

    def reset(self, rig: str) -> RigView:
        self._note("reset", rig)
        return self.rig(rig)

    def alarms(self) -> Mapping[str, str]:
        return self.alarmed

    def set_back(self, specification: str, operator: str, cause: str) -> None:
        self._note("set_back", specification, operator, cause)
        self.alarmed.pop(specification)

    def recent_events(self, rig: str | None = None, after: int = 0) -> Sequence[tuple[int, RunEvent]]:
        with self._lock:
            return [(number, event) for number, event in self._events if number > after and rig in (None, event.rig)]

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        self._watchers.append(wake)
        return lambda: self._watchers.remove(wake)

    def ready(self) -> Mapping[str, str]:
        return {f"rig {name}": "" for name in self.names} | self.checks

    # --- for tests

    def show(self, rig: str, **changes: Any) -> RigView:
        """Change what is seen of a rig and tell the watchers."""
        self._views[rig] = replace(self._views[rig], **changes)
        view = self._views[rig]
        self.tell(RunEvent("rig", rig, {"state": view.state, "sentence": view.sentence}))
        return view

    def tell(self, event: RunEvent) -> int:
        """Add an event as the station's workers do, from whatever thread."""
        with self._lock:
            self._events.append((len(self._events) + 1, event))
            number = len(self._events)
        for wake in list(self._watchers):
            wake()
        return number

    @property
    def watchers(self) -> int:
        return len(self._watchers)

    def _note(self, *what: Any) -> None:
        self.asked.append(what)
        if self.trouble is not None:
            raise self.trouble


def _view(name: str) -> RigView:
    return RigView(
        name=name,
        rig_id=RIG.rig_id,
        emulated=True,
        firmware=RIG.firmware,
        state="empty",
        sentence="No serial number: scan the unit.",
        not_ready=("No serial number: scan the unit.",),
        inputs=INPUTS,
        unit=None,
        run_number=0,
        verdict="",
        reasons=(),
    )


@contextmanager
def serving(app: FastAPI, port: int = 0) -> Iterator[tuple[str, StationServer]]:
    """The app on a loopback port (a free one by default), in a thread of its own; gives its address and the server."""
    server = station_server(app, "127.0.0.1", port)
    thread = threading.Thread(target=server.run, name="served")
    thread.start()
    try:
        yield f"http://127.0.0.1:{_port_of(server, thread)}", server
    finally:
        server.should_exit = True
        thread.join(10)
        assert not thread.is_alive()


def _port_of(server: uvicorn.Server, thread: threading.Thread) -> int:
    until_s = time.monotonic() + 10
    while not server.started and thread.is_alive() and time.monotonic() < until_s:
        time.sleep(0.01)
    return int(server.servers[0].sockets[0].getsockname()[1])
