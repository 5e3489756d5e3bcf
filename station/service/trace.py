"""The samples of one stick's run as they grow, and their views: recording for measuring, block for keeping."""

import numpy as np
from numpy.typing import NDArray

from station.records import CommandedFlick, Floats, Recording, RigIdentity, SampleChunk, TraceBlock

FIRST_ROOM = 1 << 16
SAMPLES_MAX = 60_000_000  # 100 minutes at 10 kS/s: far above any flicks_max that makes sense; bounds memory


class StickTrace:
    """Codes of one stick, appended as they come. Memory grows by doubling; slices are views and live no longer than a call."""

    def __init__(self, stick: str, rig: RigIdentity, supply_v: float) -> None:
        self.stick = stick
        self.supply_v = supply_v
        self.rate_hz = float(rig.sample_rate_hz)
        self.scale_v = rig.reference_v / 2**rig.bits
        self.contiguous = True
        self.tick_span_s = 0.0
        self._codes: NDArray[np.uint16] = np.empty((FIRST_ROOM, 2), np.uint16)
        self._count = 0
        self._kept = 0
        self._commanded: list[CommandedFlick] = []

    def __len__(self) -> int:
        return self._count

    @property
    def commanded(self) -> tuple[CommandedFlick, ...]:
        return tuple(self._commanded)

    def add(self, chunk: SampleChunk) -> None:
        """Append samples; a chunk that does not continue the last one, or too many samples, spoils `contiguous`."""
        count = len(chunk.codes)
        continues = chunk.contiguous and (count == 0 or chunk.first == self._count) and self._count + count <= SAMPLES_MAX
        self.contiguous = self.contiguous and continues
        if not continues:
            return
        self._make_room(self._count + count)
        self._codes[self._count : self._count + count] = chunk.codes
        self._count += count
        self.tick_span_s = chunk.tick_span_s

    def note_flick(self, group: str, first_sample: int) -> None:
        self._commanded.append(CommandedFlick(group, first_sample))

    def volts(self, first: int, last: int | None = None) -> tuple[Floats, Floats]:
        """x and y in volts of samples first..last (exclusive), new arrays."""
        part = self._codes[first : self._count if last is None else last] * self.scale_v
        return np.ascontiguousarray(part[:, 0]), np.ascontiguousarray(part[:, 1])

    def recording(self) -> Recording:
        """All samples as a recording, commanded flicks included."""
        x_v, y_v = self.volts(0)
        return Recording(self.rate_hz, x_v, y_v, self.supply_v, self.scale_v, 0.0, self.commanded)

    def block(self, first: int = 0) -> TraceBlock:
        """Samples from `first` on, for keeping."""
        codes = self._codes[first : self._count].copy()
        return TraceBlock(self.stick, first, codes, self.rate_hz, self.scale_v, self.supply_v, self.commanded)

    def new_part(self) -> TraceBlock:
        """Samples since the last call, for keeping while the run goes on."""
        part = self.block(self._kept)
        self._kept = self._count
        return part

    def _make_room(self, wanted: int) -> None:
        if wanted > len(self._codes):
            larger = np.empty((max(wanted, 2 * len(self._codes)), 2), np.uint16)
            larger[: self._count] = self._codes[: self._count]
            self._codes = larger
