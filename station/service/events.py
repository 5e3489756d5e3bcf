"""What happened lately, for whoever watches: a bounded ring with numbers, filled by the rigs' workers, read by any thread."""

from collections import deque
from collections.abc import Callable
from threading import Lock

from station.records import RunEvent

RING_EVENTS = 500  # over a minute of two busy rigs; a watcher further behind starts afresh. A flick event holds about 10 kB


class EventRing:
    """Thread-safe. Numbers count up from 1 and never repeat within one life of the service."""

    def __init__(self, size: int = RING_EVENTS) -> None:
        self._lock = Lock()
        self._events: deque[tuple[int, RunEvent]] = deque(maxlen=size)
        self._count = 0
        self._watchers: list[Callable[[], None]] = []

    def add(self, event: RunEvent) -> int:
        """Keep an event, wake the watchers, return its number."""
        with self._lock:
            self._count += 1
            number = self._count
            self._events.append((number, event))
            watchers = list(self._watchers)
        for wake in watchers:
            wake()
        return number

    def recent(self, rig: str | None = None, after: int = 0) -> list[tuple[int, RunEvent]]:
        """Events numbered above `after`, oldest first, of one rig or of all."""
        with self._lock:
            kept = list(self._events)
        return [(number, event) for number, event in kept if number > after and (rig is None or event.rig == rig)]

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call `wake` after each added event, from the adding thread. Returns the function that ends it."""
        with self._lock:
            self._watchers.append(wake)

        def unwatch() -> None:
            with self._lock:
                if wake in self._watchers:
                    self._watchers.remove(wake)

        return unwatch
