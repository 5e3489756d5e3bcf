"""The desk of a line: it shows what all stations sent, has no rig and moves nothing."""

from collections.abc import Callable, Mapping, Sequence
from threading import Event, Thread
from typing import Final, NoReturn

from station.errors import NotFound, NotReady, StoreError
from station.ports.desk import RigView
from station.ports.line import LineBook, News
from station.records import RunEvent, UnitIdentity
from station.service.events import EventRing

LOOK_S: Final = 2.0  # between looks for what came. Chosen: a page is renewed well within the 5 s after which it would call itself stale
END_S: Final = 1.5
HERE: Final = "this service shows the line, from what its stations sent: it has no rigs"


class LineDesk:
    """Implements station.ports.desk.Desk. What came lately is told as events, found by looking: stations send to the database alone."""

    def __init__(self, book: LineBook) -> None:
        self._book = book
        self._events = EventRing()
        self._stop = Event()
        self._news: News | None = None
        self._thread = Thread(target=self._live, name="line", daemon=True)

    def begin(self) -> Sequence[int]:
        """Begin to look. There are no runs to close here."""
        self._thread.start()
        return ()

    def end(self) -> None:
        """Idempotent."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(END_S)

    def rest_now(self) -> None:
        """Nothing moves here; may be called from a signal handler."""

    def look(self) -> None:
        """Tell of what came since the last look. While the database is away nothing comes; readiness says so."""
        try:
            news = self._book.news(self._news.mark if self._news else None)
        except StoreError:
            return
        self._news = news
        for run in news.runs:
            data = {"run": run.number, "verdict": run.verdict, "reasons": list(run.reasons), "station": run.station}
            self._events.add(RunEvent("run-ended", f"{run.station}/{run.rig}", data))
        for order in news.orders:
            self._events.add(RunEvent("rework", "", {"order": order, "sentence": f"Order {order} of the line has changed."}))

    def rigs(self) -> Sequence[RigView]:
        return ()

    def rig(self, name: str) -> RigView:
        raise NotFound(f"rig {name!r} is not run here: {HERE}; ask the station that runs it")

    def scan(self, rig: str, unit: UnitIdentity, operator: str) -> RigView:
        self._refuse("a unit is scanned", rig)

    def start(self, rig: str) -> RigView:
        self._refuse("a run is started", rig)

    def halt(self, rig: str) -> RigView:
        """Refused, so that nobody believes that something was halted."""
        self._refuse("a rig is halted", rig, "; the emergency stop is at the rig")

    def reset(self, rig: str) -> RigView:
        self._refuse("a fault is cleared", rig)

    def alarms(self) -> Mapping[str, str]:
        """None: pooled monitors are each station's own."""
        return {}

    def set_back(self, specification: str, operator: str, cause: str) -> None:
        raise NotReady(f"a monitor is set back at the station that watches {specification!r}: {HERE}")

    def recent_events(self, rig: str | None = None, after: int = 0) -> Sequence[tuple[int, RunEvent]]:
        return self._events.recent(rig, after)

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        return self._events.watch(wake)

    def ready(self) -> Mapping[str, str]:
        """Nothing but the database, which is asked elsewhere."""
        return {}

    def _refuse(self, what: str, rig: str, more: str = "") -> NoReturn:
        raise NotReady(f"{what} at the station that runs {rig!r}: {HERE}{more}")

    def _live(self) -> None:
        while not self._stop.is_set():
            self.look()
            self._stop.wait(LOOK_S)
