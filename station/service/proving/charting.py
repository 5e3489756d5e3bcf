"""Looks at the charts after every run and check, in a thread of its own beside the rigs' workers.

A rule that fires is kept once, told, and stands on a banner until somebody notes why. Nothing is lost when a look is missed: the next one
goes over the newest points again.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from queue import Empty, Full, Queue
from threading import Event, Thread
from typing import Any, Final

from station.errors import StoreError
from station.ports import Clock
from station.ports.proof import ProofBook
from station.proof import ChartKey, Outcome, ReferenceCheck, Signal
from station.prove import charted

log = logging.getLogger(__name__)

QUEUE_LOOKS: Final = 64
LOOK_POINTS: Final = 60  # newest points that are looked at: more than any rule needs
END_S: Final = 1.5

Tell = Callable[[str, Mapping[str, Any]], None]


class ChartWatch:
    """One per station. `run_ended` and `concluded` never wait and never raise."""

    def __init__(self, book: ProofBook, clock: Clock, tell: Tell) -> None:
        self._book = book
        self._clock = clock
        self._tell = tell
        self._due: Queue[int | ReferenceCheck] = Queue(QUEUE_LOOKS)
        self._wake, self._stop = Event(), Event()
        self._thread = Thread(target=self._live, name="charts", daemon=True)

    def begin(self) -> None:
        self._thread.start()

    def end(self) -> None:
        """Idempotent."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(END_S)

    def run_ended(self, run_number: int) -> None:
        self._put(run_number)

    def concluded(self, outcome: Outcome) -> None:
        if isinstance(outcome, ReferenceCheck):
            self._put(outcome)

    def work(self) -> None:
        """Everything that is due now. Raises StoreError."""
        for key in dict.fromkeys(key for due in self._taken() for key in self._charts(due)):
            self.look(key)

    def look(self, key: ChartKey) -> Sequence[Signal]:
        """Signals that were not known before. Raises StoreError."""
        baseline = self._book.baseline(key)
        if baseline is None:
            return ()
        points = self._book.chart_points(key, LOOK_POINTS)
        fresh = self._book.keep_signals(charted.signals_of(baseline, points, self._clock.utc()))
        for signal in fresh:
            self._tell("notice", {"sentence": signal.sentence, "chart": str(key), "point": signal.point})
        return fresh

    # --- inside

    def _charts(self, due: "int | ReferenceCheck") -> Iterable[ChartKey]:
        if isinstance(due, ReferenceCheck):
            return [key for key in self._book.chart_keys(due.rig) if key.what == "reference"]
        return self._book.charts_of_run(due)

    def _put(self, due: "int | ReferenceCheck") -> None:
        try:
            self._due.put_nowait(due)
        except Full:
            log.warning("charts are behind; the next look goes over the newest points again")
        self._wake.set()

    def _taken(self) -> list["int | ReferenceCheck"]:
        taken = []
        try:
            while True:
                taken.append(self._due.get_nowait())
        except Empty:
            return taken

    def _live(self) -> None:
        while not self._stop.is_set():
            self._wake.wait()
            self._wake.clear()
            try:
                self.work()
            except StoreError as problem:
                self._tell(
                    "notice", {"sentence": f"Charts were not looked at: {problem}; the next look goes over the newest points again."}
                )
