"""The adviser: a thread beside the rigs' workers that follows closed runs up.

What is to be done stands in the database, not in the queue: the queue only says that there is something new. What a kill or a full queue
leaves undone is found by a question at the next start, or at the next turn.
"""

from queue import Empty, Full, Queue
from threading import Event, Thread
from typing import Final

from station.errors import StoreError, StoreUnavailable
from station.rework import Meaning
from station.service.followup import AdviserNeeds, FollowUp, guarded

__all__ = ["Adviser", "AdviserNeeds"]

QUEUE_RUNS: Final = 64  # closed runs waiting; beyond that one question to the database finds them
RETRY_S: Final = 5.0  # between tries while the database is away
END_S: Final = 1.5  # to finish a computation at the end; one that takes longer is done again in the next life


class Adviser:
    """One per station. `run_ended` is called by the workers; all else happens in the adviser's own thread, or in `work`."""

    def __init__(self, needs: AdviserNeeds) -> None:
        self._book = needs.book
        self._ended_runs: Queue[int] = Queue(QUEUE_RUNS)
        self._behind = True
        self._wake = Event()
        self._stop = Event()
        self._steps = FollowUp(needs, self._stop.is_set)
        self._thread = Thread(target=self._live, name="adviser", daemon=True)

    def begin(self) -> None:
        """Start the thread; it begins with what an earlier life left undone."""
        self._thread.start()

    def run_ended(self, run_number: int) -> None:
        """A run's end is safe in the database. Never waits, never raises."""
        try:
            self._ended_runs.put_nowait(run_number)
        except Full:
            self._behind = True
        self._wake.set()

    def end(self) -> None:
        """Stop after the computation under way. Idempotent."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(END_S)

    def work(self) -> None:
        """Everything that is to be done now. Raises StoreError when the database cannot be used: nothing is lost by it."""
        self._steps.compute()
        for number in self._waiting():
            if self._stop.is_set():
                return
            if self._steps.run(number) is Meaning.WAITS:
                self._behind = True
            self._steps.compute()

    def _live(self) -> None:
        while not self._stop.is_set():
            self._wake.clear()
            sentence = self._attempt()
            self._steps.once(sentence)
            self._behind = self._behind or bool(sentence)
            self._wake.wait(RETRY_S if self._behind else None)

    def _attempt(self) -> str:
        """One turn; "" or one sentence why it is to be tried again."""
        try:
            return guarded("following runs up", self.work)[1]
        except StoreUnavailable as problem:
            return f"rework waits: {problem}; nothing is lost, it is tried again"

    def _waiting(self) -> list[int]:
        """Runs to follow up, oldest first: those that were told, or all that can be found when some may not have been."""
        told = set()
        try:
            while True:
                told.add(self._ended_runs.get_nowait())
        except Empty:
            pass
        if not self._behind:
            return sorted(told)
        self._behind = False
        try:
            return list(self._book.unfollowed())
        except StoreError:
            self._behind = True
            raise
