"""The emulated rig's own log, in true time: what really happened, whatever host and firmware believe."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

KEPT_EVENTS: Final = 20_000  # a shift of units; older ones fall out, the counts stay


@dataclass(frozen=True, slots=True)
class Event:
    """kind is one of: boot, freeze, thaw, command, refused, fault, reset, energised, de-energised, rest, flick, released, home, clamp,
    unclamp, guard, stop, start, chain, fit, law, inject, stream."""

    time_s: float
    kind: str
    data: Mapping[str, Any] = field(default_factory=dict)


class EventLog:
    def __init__(self) -> None:
        self._events: deque[Event] = deque(maxlen=KEPT_EVENTS)
        self.counts: dict[str, int] = {}

    def add(self, time_s: float, kind: str, **data: Any) -> None:
        self._events.append(Event(time_s, kind, data))
        self.counts[kind] = self.counts.get(kind, 0) + 1

    def since(self, time_s: float = 0.0, kind: str | None = None) -> list[Event]:
        """Events at or after this instant, oldest first, of one kind or all."""
        return [one for one in self._events if one.time_s >= time_s and kind in (None, one.kind)]

    def first(self, kind: str, since_s: float = 0.0) -> Event | None:
        """The earliest kept event of a kind at or after an instant."""
        return next((one for one in self._events if one.kind == kind and one.time_s >= since_s), None)

    def last(self, kind: str) -> Event | None:
        """The newest kept event of a kind."""
        return next((one for one in reversed(self._events) if one.kind == kind), None)
