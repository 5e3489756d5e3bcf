"""The bridge from the station's threads to the event loop: who watches is woken, nobody polls, and all end at shutdown at once."""

import asyncio
import secrets
from collections.abc import AsyncIterator, Callable, Sequence
from datetime import UTC, datetime
from typing import Any, Final

from fastapi.sse import ServerSentEvent

from api.http.problems import StreamsFull
from station.ports.desk import Desk
from station.records import RunEvent

PULSE_S: Final = 2.0  # a page may call itself stale after 5 s: two pulses may be late
RETRY_MS: Final = 1000


class EventStreams:
    """All event streams of one service.

    Event ids are `<life>-<number>`: numbers begin anew with each start of the service, and `life` tells the lives apart, so that a page
    that comes back after a restart is given what it missed and not silence.
    """

    def __init__(self, desk: Desk, places: int) -> None:
        self._desk = desk
        self._places = places
        self._taken = 0
        self._life = secrets.token_hex(4)
        self._closing = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: set[asyncio.Event] = set()
        self._unwatch: Callable[[], None] = _nothing

    @property
    def taken(self) -> int:
        """Streams open now."""
        return self._taken

    def begin(self) -> None:
        """Start watching the desk; called on the event loop at start-up."""
        self._loop = asyncio.get_running_loop()
        self._unwatch = self._desk.watch(self._wake)

    def end(self) -> None:
        """End every stream now, and watch no more. Idempotent; called on the event loop."""
        self._closing = True
        unwatch, self._unwatch = self._unwatch, _nothing
        unwatch()
        self._wake_all()

    async def place(self) -> AsyncIterator[None]:
        """A dependency that holds one of the places while a stream lasts. Raises StreamsFull."""
        if self._taken >= self._places or self._closing:
            raise StreamsFull(f"{self._taken} event streams are open; at most {self._places} at a time", open=self._taken)
        self._taken += 1
        try:
            yield
        finally:
            self._taken -= 1

    async def follow(self, rig: str | None, last_id: str | None) -> AsyncIterator[ServerSentEvent]:
        """Events after `last_id` (all that are kept when it is of another life, only new ones when None), then as they come."""
        woken = asyncio.Event()
        self._waiting.add(woken)
        try:
            after = self._after(last_id)
            yield self._hello(after)
            while not self._closing:
                woken.clear()
                news = self._desk.recent_events(rig, after)
                for number, event in news:
                    after = number
                    yield self._shown(number, event)
                if not news:
                    yield self._pulse()
                await _wait(woken, PULSE_S)
        finally:
            self._waiting.discard(woken)

    def _after(self, last_id: str | None) -> int:
        if last_id is None:
            return _newest(self._desk.recent_events())
        life, _, number = last_id.partition("-")
        return int(number) if life == self._life and number.isdecimal() else 0

    def _hello(self, after: int) -> ServerSentEvent:
        return ServerSentEvent(event="hello", data={"life": self._life, "after": after}, retry=RETRY_MS)

    def _shown(self, number: int, event: RunEvent) -> ServerSentEvent:
        data: dict[str, Any] = {"number": number, "kind": event.kind, "rig": event.rig, "data": dict(event.data)}
        return ServerSentEvent(event=event.kind, id=f"{self._life}-{number}", data=data)

    def _pulse(self) -> ServerSentEvent:
        return ServerSentEvent(event="pulse", data={"at": datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")})

    def _wake(self) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake_all)

    def _wake_all(self) -> None:
        for woken in self._waiting:
            woken.set()


def _nothing() -> None:
    """In place of the end of a watching that is over, or never began."""


def _newest(events: Sequence[tuple[int, RunEvent]]) -> int:
    return events[-1][0] if events else 0


async def _wait(event: asyncio.Event, seconds: float) -> None:
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return
