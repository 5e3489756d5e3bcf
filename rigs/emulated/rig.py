"""The emulated rig: firmware, plant and both directions of the link, moved on by whoever holds the clock. No I/O, no wall clock.

`advance(to_s)` lets time pass, `receive` takes bytes at the present instant, `transmit` gives bytes. What comes out depends on the seed, on
the bytes and on the instants at which they came; never on how time was cut into steps.
"""

import heapq
import itertools
import math
from collections.abc import Callable
from typing import Final

import numpy as np

from rigs.emulated.bench import Bench
from rigs.emulated.events import EventLog
from rigs.emulated.firmware import Firmware
from rigs.emulated.lane import Lane, split
from rigs.emulated.laws import IdentityLaw
from rigs.emulated.plant import Plant
from rigs.emulated.settings import RigSettings
from rigs.link import FrameReader
from rigs.link.messages import FaultCode

EMPTY: Final = b"\0"  # a lone zero byte only ends what came before
HELD_MAX: Final = 4096  # bytes of an unfinished incoming frame; what is longer is noise


class EmulatedRig:
    """One rig with its bench of units."""

    def __init__(self, seed: int, bench: Bench, settings: RigSettings | None = None) -> None:
        self.settings = settings or RigSettings()
        self.bench = bench
        self.log = EventLog()
        self.now_s = 0.0
        self.frozen = False
        self.dog_awake = True
        self.to_host, self.from_host = Lane(), Lane()
        self.plant = Plant(self.settings, self.log, np.random.SeedSequence(seed))
        self.plant.panel.changed = self._input_changed
        self.identity = IdentityLaw()
        self._plans: list[tuple[float, int, Callable[[], None]]] = []
        self._order = itertools.count()
        self._out = bytearray()
        self._held = bytearray()
        self._reader = FrameReader("host")
        self._off_until_s = math.inf
        self._dog_s = math.inf
        self.firmware = self._start(self.settings.first_boot)

    # --- time

    @property
    def next_event_s(self) -> float:
        """The next instant at which something happens without anything coming in."""
        nearest = min(self.plant.next_event_s, self._dog_s, self._off_until_s)
        if self._plans:
            nearest = min(nearest, self._plans[0][0])
        if self.running:
            nearest = min(nearest, self.firmware.next_event_s)
        return max(nearest, self.now_s)

    @property
    def running(self) -> bool:
        """Whether the firmware turns: neither hung nor starting."""
        return not self.frozen and math.isinf(self._off_until_s)

    def advance(self, to_s: float) -> None:
        """Let time pass up to an instant, everything due included. An instant that is past already changes nothing."""
        while (next_s := self.next_event_s) <= to_s:
            self.now_s = next_s
            self._fire()
        self.now_s = max(self.now_s, to_s)

    def at(self, time_s: float, act: Callable[[], None]) -> None:
        """Let something happen at an instant; one that is past is now."""
        heapq.heappush(self._plans, (max(time_s, self.now_s), next(self._order), act))

    # --- the link

    def receive(self, data: bytes) -> None:
        """Bytes from the host, arriving now."""
        for frame in split(data, self._held):
            if frame == EMPTY:
                continue
            for delay_s, piece in self.from_host.carry(frame):
                self._later(delay_s, piece, self._hear)
        del self._held[:-HELD_MAX]

    def transmit(self, limit: int | None = None) -> bytes:
        """Bytes for the host, at most `limit`; what is left stays for the next call."""
        count = len(self._out) if limit is None else min(limit, len(self._out))
        data = bytes(self._out[:count])
        del self._out[:count]
        return data

    @property
    def waiting_bytes(self) -> int:
        """Bytes that wait to be sent."""
        return len(self._out)

    def say(self, data: bytes) -> None:
        """Put raw bytes on the line, as noise or an ill rig would."""
        self._out += data

    def forget_line(self) -> None:
        """The cable is out: what was on its way is gone."""
        self._out.clear()
        self._held.clear()
        self._reader = FrameReader("host")

    # --- ills of the firmware itself

    def freeze(self, *, watchdog: bool = True) -> None:
        """The firmware hangs. With the hardware watchdog on it is reset by it, else it stays as it is until `thaw`."""
        if not self.running:
            return
        self.frozen = True
        self.log.add(self.now_s, "freeze", watchdog=watchdog)
        self._dog_s = self.now_s + self.settings.timers.watchdog_s if watchdog else math.inf

    def thaw(self) -> None:
        """The firmware goes on where it hung."""
        if not self.frozen:
            return
        self.frozen, self._dog_s = False, math.inf
        self.log.add(self.now_s, "thaw")
        self._wake()
        self.firmware.inputs_changed()

    def reboot(self, fault: FaultCode = FaultCode.NONE) -> None:
        """The firmware starts anew: torque off, everything forgotten, another boot number."""
        self.frozen, self._dog_s = False, math.inf
        self.plant.cut(self.now_s)
        boot = (self.firmware.boot + 1) % 2**32
        self.forget_line()
        self._off_until_s = self.now_s + self.settings.timers.reboot_s
        self.firmware = self._start(boot)
        self.firmware.fault = fault

    # --- inside

    def _start(self, boot: int) -> Firmware:
        self.log.add(self.now_s, "boot", boot=boot)
        self.plant.clock.restart(self.now_s)
        self.plant.panel.forget_edges()
        firmware = Firmware(self.plant, boot, self.now_s, self._send)
        firmware.identity = self.identity
        return firmware

    def _wake(self) -> None:
        """Let the firmware know what time it is."""
        self.firmware.now_s = self.now_s
        plans_s = self._plans[0][0] if self._plans else math.inf
        self.firmware.planned_until_s = min(self.plant.next_event_s, self.firmware.planned_s(), plans_s)

    def _fire(self) -> None:
        while self._plans and self._plans[0][0] <= self.now_s:
            heapq.heappop(self._plans)[2]()
        self.plant.fire(self.now_s)
        if self._dog_s <= self.now_s:
            self.reboot(FaultCode.WATCHDOG)
        if self._off_until_s <= self.now_s:
            self._off_until_s = math.inf
            self._wake()
            self.plant.home(self.now_s)
        if self.running and self.firmware.next_event_s <= self.now_s:
            self._wake()
            self.firmware.fire()

    def _input_changed(self, time_s: float) -> None:
        if self.running:
            self._wake()
            self.firmware.inputs_changed()

    def _hear(self, piece: bytes) -> None:
        for message in self._reader.feed(piece):
            if self.running:
                self._wake()
                self.firmware.receive(message)

    def _send(self, frame: bytes) -> None:
        """A frame from the firmware. When too much waits, samples can no longer be sent in time."""
        if len(self._out) + len(frame) > self.settings.tx_limit_bytes:
            self._overrun(frame)
            return
        for delay_s, piece in self.to_host.carry(frame):
            self._later(delay_s, piece, self._out.extend)

    def _overrun(self, frame: bytes) -> None:
        """Nobody takes the bytes: this frame is lost, and a sample stream with it."""
        firmware = self.firmware
        if firmware.stream is not None and firmware.fault is FaultCode.NONE:
            firmware.stream = None
            self.at(self.now_s, lambda: self._latch_overrun(firmware))

    def _latch_overrun(self, firmware: Firmware) -> None:
        if firmware is self.firmware and self.running:
            self._wake()
            firmware.latch(FaultCode.OVERRUN)

    def _later(self, delay_s: float, piece: bytes, take: Callable[[bytes], None]) -> None:
        if delay_s <= 0.0:
            take(piece)
        else:
            self.at(self.now_s + delay_s, lambda: take(piece))
