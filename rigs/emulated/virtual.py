"""The emulated rig in the same process, under a clock that moves only while somebody waits: the same bytes, as fast as can be."""

from datetime import UTC, datetime, timedelta
from typing import Final

from rigs.emulated.rig import EmulatedRig
from station.errors import LinkLost

BEGIN_UTC: Final = datetime(2026, 7, 1, 6, 0, tzinfo=UTC)  # a first shift in our scenario; any date does
STALL_BYTES: Final = 8192  # what a pty took before a write timed out, as measured
STALL_S: Final = 0.2  # the write limit of the driver's serial transport


class VirtualClock:
    """A station.ports.Clock. Time passes in `sleep` and while a LoopbackTransport waits; every rig that joined moves with it."""

    def __init__(self, begin_utc: datetime = BEGIN_UTC) -> None:
        self._now_s = 0.0
        self._begin_utc = begin_utc
        self._rigs: list[EmulatedRig] = []

    def join(self, rig: EmulatedRig) -> None:
        """Let a rig's time be this clock's."""
        rig.advance(self._now_s)
        self._rigs.append(rig)

    def monotonic_s(self) -> float:
        return self._now_s

    def utc(self) -> datetime:
        return self._begin_utc + timedelta(seconds=self._now_s)

    def sleep(self, seconds: float) -> None:
        self.advance_to(self._now_s + max(0.0, seconds))

    def advance_to(self, time_s: float) -> None:
        """Let time pass up to an instant for all rigs."""
        for rig in self._rigs:
            rig.advance(time_s)
        self._now_s = max(self._now_s, time_s)


class LoopbackTransport:
    """The driver's byte stream to a rig in this process. Its cable can be pulled (`unplug`, `replug`) and the rig can stop reading.

    resets_rig: opening the port restarts the rig, as some boards do by their control lines.
    """

    def __init__(self, rig: EmulatedRig, clock: VirtualClock, *, resets_rig: bool = False) -> None:
        self.rig = rig
        self.plugged = True
        self.reading = True
        self.resets_rig = resets_rig
        self._clock = clock
        self._open = False
        self._stalled = 0
        clock.join(rig)

    def open(self) -> None:
        """Raises LinkLost while the cable is out."""
        if not self.plugged:
            raise LinkLost(f"port {self.describe()} is not there; plug the rig in or correct the port's name", cause="missing")
        self.rig.forget_line()
        self._open, self._stalled = True, 0
        if self.resets_rig:
            self.rig.reboot()

    def read(self, max_bytes: int, wait_s: float) -> bytes:
        """Bytes that are there, letting virtual time pass for at most wait_s until the first comes. Raises LinkLost."""
        until_s = self._clock.monotonic_s() + wait_s
        while True:
            self._require()
            data = self.rig.transmit(max_bytes)
            now_s = self._clock.monotonic_s()
            if data or now_s >= until_s:
                return data
            self._clock.advance_to(min(until_s, self.rig.next_event_s))

    def write(self, data: bytes) -> None:
        """Bytes to the rig, arriving now. Raises LinkLost."""
        self._require()
        if self.reading:
            self.rig.receive(data)
            return
        self._stalled += len(data)
        if self._stalled > STALL_BYTES:
            self._clock.sleep(STALL_S)
            raise LinkLost(f"port {self.describe()} takes no more bytes; the rig has stopped reading", cause="stalled")

    def close(self) -> None:
        self._open = False

    def describe(self) -> str:
        return f"virtual:{self.rig.settings.rig_id}"

    # --- the hand at the cable (rigs.emulated.control.Cable)

    def unplug(self) -> None:
        self.plugged = False
        self.rig.forget_line()

    def replug(self) -> None:
        self.plugged = True

    def stop_reading(self) -> None:
        self.reading = False

    def resume_reading(self) -> None:
        self.reading, self._stalled = True, 0

    def _require(self) -> None:
        if not self._open or not self.plugged:
            raise LinkLost(f"port {self.describe()} was lost; check cable and power of the rig", cause="gone")
