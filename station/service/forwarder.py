"""The forwarder: a thread beside the rigs' workers that sends what the station did to the database of its line.

What waits stands in the station's own database. No rig waits for it, and an outage of hours changes nothing but how much is to be sent.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from threading import Event, Thread
from typing import Any, Final

from station.errors import StoreError, StoreUnavailable
from station.ports import Clock
from station.ports.line import LineSender, Waiting
from station.service.followup import guarded

LOOK_S: Final = 2.0  # between looks into the outbox: orders and proofs wake nobody
GREET_S: Final = 30.0  # the line hears of a station that has nothing to say this often
RETRY_S: Final = 1.0  # first pause after a failure; each is twice the one before
RETRY_MAX_S: Final = 60.0
AGAIN_S: Final = 600.0  # what was refused is sent again: somebody may have removed the cause
LATE_S: Final = 60.0  # what waits longer is told. Chosen: many times what sending takes
END_S: Final = 1.5  # for the batch under way at the end; one that takes longer is sent again in the next life
NOTHING: Final = Waiting(0, None, 0, "")

Tell = Callable[[str, Mapping[str, Any]], None]


@dataclass(frozen=True, slots=True)
class Standing:
    """How far the line is behind. trouble: why nothing gets there now, "" while all is well. waits_s: how long the oldest has waited."""

    waiting: Waiting
    trouble: str
    waits_s: float


class Forwarder:
    """One per station that has a line. `run_ended` never waits and never raises; all else happens in a thread, or in `turn`."""

    def __init__(self, sender: LineSender, clock: Clock, tell: Tell) -> None:
        self._sender = sender
        self._clock = clock
        self._tell = tell
        self._wake, self._stop = Event(), Event()
        self._begun = False
        self._waiting = NOTHING
        self._trouble = self._told = ""
        self._pause_s = RETRY_S
        self._greeted_s = self._tried_s = -AGAIN_S
        self._thread = Thread(target=self._live, name="forwarder", daemon=True)

    def begin(self) -> None:
        self._thread.start()

    def end(self) -> None:
        """Stop after the batch under way. Idempotent."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(END_S)
        if not self._thread.is_alive():
            self._sender.close()

    def run_ended(self, _run_number: int) -> None:
        """There is something to send."""
        self._wake.set()

    def standing(self) -> Standing:
        """As found at the last turn."""
        oldest = self._waiting.oldest_at
        waits_s = max(0.0, (self._clock.utc() - oldest).total_seconds()) if oldest else 0.0
        return Standing(self._waiting, self._trouble, waits_s)

    def sentence(self) -> str:
        """How far the line is behind, for people; "" when it is not."""
        now = self.standing()
        parts = []
        if now.trouble or now.waits_s > LATE_S:
            since = f" since {_instant(now.waiting.oldest_at)}" if now.waiting.oldest_at else ""
            parts.append(f"{now.waiting.count} records wait for the line{since}; nothing is lost.")
        if now.trouble:
            parts.append(f"{now.trouble.rstrip('.')}.")
        if now.waiting.refused:
            parts.append(f"The line refused {now.waiting.refused} of them, first {now.waiting.refusal.rstrip('.')}.")
        return " ".join(parts)

    def turn(self) -> float:
        """Send everything that waits; how many seconds to rest before the next turn. After trouble each rest is longer than the last."""
        try:
            _, trouble = guarded("sending to the line", self._send)
        except StoreUnavailable as problem:
            trouble = str(problem)
        self._look()
        self._attend(trouble)
        if not trouble:
            self._pause_s = RETRY_S
            return LOOK_S
        pause, self._pause_s = self._pause_s, min(RETRY_MAX_S, 2 * self._pause_s)
        return pause

    # --- inside

    def _send(self) -> None:
        """Raises StoreError."""
        now_s = self._clock.monotonic_s()
        if not self._begun:
            self._sender.begin(self._clock.utc())
            self._begun = True
        if now_s - self._tried_s >= AGAIN_S:
            self._sender.try_again()
            self._tried_s = now_s
        self._waiting = self._sender.waiting()
        if self._waiting.count == self._waiting.refused and now_s - self._greeted_s < GREET_S:
            return
        while self._sender.send(self._clock.utc()) and not self._stop.is_set():
            self._look()
        self._greeted_s = now_s

    def _look(self) -> None:
        try:
            self._waiting = self._sender.waiting()
        except StoreError:
            return  # the station's own database is away: its workers say so

    def _attend(self, trouble: str) -> None:
        """Tell of trouble, or of what was refused, once; and once when it is over."""
        self._trouble = trouble
        matter = trouble or self._waiting.refusal
        if matter == self._told:
            return
        before, self._told = self._told, matter
        self._tell("notice", {"sentence": self.sentence() if matter else f"Nothing keeps records from the line any more; it was: {before}"})

    def _live(self) -> None:
        while not self._stop.is_set():
            self._wake.clear()
            pause_s = self.turn()
            (self._stop if self._trouble else self._wake).wait(pause_s)


def _instant(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")
