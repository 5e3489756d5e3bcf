"""A sign of life that only the rigs' own loops can give: whoever watches the service learns that one of them hangs.

No thread beats for them. A loop beats when it turns, and with every exchange with its rig; the sign goes out while all of them do.
"""

from collections.abc import Callable, Sequence
from threading import Lock
from typing import Final

from station.ports import Clock, Command, Done, Rig
from station.records import RigIdentity, RigStatus, SampleChunk

EVERY_S: Final = 0.5  # a watchdog of 2 s is then fed four times
SILENT_S: Final = 1.5  # a loop that has not beaten for so long hangs: a flick takes 0.4 s, scoring a run less than that


class Pulse:
    """Of the named loops. tell: called about every EVERY_S, from one of their threads, while all of them turn. Without loops never."""

    def __init__(self, clock: Clock, names: Sequence[str], tell: Callable[[], None]) -> None:
        self._clock = clock
        self._tell = tell
        self._lock = Lock()
        self._beaten_s = dict.fromkeys(names, -SILENT_S)
        self._told_s = -EVERY_S

    def beat(self, name: str) -> None:
        """A loop turns."""
        now_s = self._clock.monotonic_s()
        with self._lock:
            self._beaten_s[name] = now_s
            due = now_s - self._told_s >= EVERY_S and min(self._beaten_s.values()) > now_s - SILENT_S
            if due:
                self._told_s = now_s
        if due:
            self._tell()


class BeatingRig:
    """A rig whose every exchange is a beat of its loop."""

    def __init__(self, rig: Rig, beat: Callable[[], None]) -> None:
        self.name = rig.name
        self._rig = rig
        self._beat = beat

    def connect(self) -> RigIdentity:
        self._beat()
        return self._rig.connect()

    def poll(self, wait_s: float) -> RigStatus:
        self._beat()
        return self._rig.poll(wait_s)

    def carry_out(self, command: Command) -> Done:
        self._beat()
        return self._rig.carry_out(command)

    def take_samples(self) -> SampleChunk:
        return self._rig.take_samples()

    def halt(self) -> None:
        self._rig.halt()

    def request_halt(self) -> None:
        self._rig.request_halt()

    def close(self) -> None:
        self._rig.close()
