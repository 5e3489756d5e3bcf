"""Sample blocks put together again, and every doubt about them remembered. Pure: no port, no clock."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.records import SampleChunk

PENDING_MAX: Final = 1 << 18  # samples not yet taken: 26 s at 10 kS/s, 1 MB

Codes = NDArray[np.uint16]


class SampleStream:
    """The samples of one stick in one run, in order.

    A block counts when run and stick are those of the stream; anything else is `stale`. A block seen before is dropped (`duplicates`). A
    gap, an overlap, a first block that is not number 0, or a tick that does not fit the sample numbers ends `contiguous` for good.
    """

    def __init__(self, sample_rate_hz: int, tick_hz: int) -> None:
        self._ticks_per_sample = tick_hz / sample_rate_hz
        self._tick_hz = tick_hz
        self.stale = 0
        self.duplicates = 0
        self._run_number, self._stick, self._open = 0, 0, False
        self._first_pending = 0
        self._reset()

    def begin(self, run_number: int, stick: int) -> None:
        """A new stream, numbered from 0. Samples not yet taken are given up."""
        self._run_number, self._stick, self._open = run_number, stick, True
        self._reset()

    def end(self) -> None:
        """No block belongs to the stream any more; what came can still be taken."""
        self._open = False

    def add(self, run_number: int, stick: int, first: int, tick: int, codes: Codes) -> None:
        """One block. tick: unwrapped rig clock at its first sample. codes: shape (n, 2)."""
        if not self._open or (run_number, stick) != (self._run_number, self._stick):
            self.stale += len(codes)
            return
        if first + len(codes) <= self._expected:
            self.duplicates += len(codes)
            return
        if first != self._expected or not self._tick_fits(first, tick):
            self.contiguous = False
        known = max(0, self._expected - first)
        self._keep(first + known, tick + round(known * self._ticks_per_sample), codes[known:])

    def take(self) -> SampleChunk:
        """What came since the last take."""
        codes = np.concatenate(self._blocks) if self._blocks else np.empty((0, 2), dtype=np.uint16)
        self._blocks.clear()
        self._pending = 0
        chunk = SampleChunk(self._run_number, self._first_pending, codes, self.contiguous, self.tick_span_s)
        self._first_pending = self._expected
        return chunk

    @property
    def tick_span_s(self) -> float:
        """Rig time from the first to the last sample so far, s; 0.0 before two samples."""
        if self._tick_first is None or self._expected - self._first_ever < 2:
            return 0.0
        first_number, first_tick = self._block
        last_tick = first_tick + (self._expected - 1 - first_number) * self._ticks_per_sample
        return (last_tick - self._tick_first) / self._tick_hz

    def _reset(self) -> None:
        self._expected: int = 0
        self._first_pending = 0
        self._first_ever = 0
        self._tick_first: int | None = None
        self._block = (0, 0)  # number and tick of the newest block's first sample
        self._blocks: list[Codes] = []
        self._pending = 0
        self.contiguous = True
        self.overflowed = False

    def _tick_fits(self, first: int, tick: int) -> bool:
        """Whether the block lies where the block before says, to half a sample: one lost sample shows although the numbers agree."""
        if self._tick_first is None:
            return True
        before_number, before_tick = self._block
        due = before_tick + (first - before_number) * self._ticks_per_sample
        return abs(tick - due) <= 0.5 * self._ticks_per_sample + 1.0

    def _keep(self, first: int, tick: int, codes: Codes) -> None:
        if self._pending + len(codes) > PENDING_MAX:
            self.overflowed, self.contiguous = True, False
            return
        if self._tick_first is None:
            self._tick_first, self._first_ever = tick, first
        if not self._pending:
            self._first_pending = first
        self._block = (first, tick)
        self._expected = first + len(codes)
        self._blocks.append(codes)
        self._pending += len(codes)
