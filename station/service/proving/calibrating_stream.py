"""The samples of one calibration step as they come, in shares of the unit's supply, and when each was taken by the rig's clock."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.errors import NotReady
from station.ports import Sample
from station.records import Floats, RigStatus
from station.service.proving.course import ProofBench

TURN_S: Final = 0.02  # longest wait of one turn: the driver's own
LATE_S: Final = 0.5  # samples wanted must be there so long after they are due


class Stream:
    """Begun by `streaming`, which also ends it. supply_v: measured before."""

    def __init__(self, bench: ProofBench, stick: int, supply_v: float) -> None:
        self.supply_v = supply_v
        self.tick_span_s = 0.0
        self.rate_hz = float(bench.identity.sample_rate_hz)
        self._bench = bench
        self._stick = stick
        self._scale = bench.identity.reference_v / 2**bench.identity.bits / supply_v
        self._codes: list[NDArray[np.uint16]] = []
        self._count = 0
        self._begin_s = bench.rig.carry_out(Sample(bench.stream, True, stick)).begin_s

    def __len__(self) -> int:
        return self._count

    def take(self) -> None:
        """Samples that have come. Raises NotReady when some are missing: what is measured with them cannot be trusted."""
        chunk = self._bench.rig.take_samples()
        if not chunk.contiguous:
            raise NotReady(
                f"Samples are missing after number {self._count}: check the rig's cable and its sample clock, then do this step again."
            )
        self._codes.append(chunk.codes)
        self._count += len(chunk.codes)
        self.tick_span_s = chunk.tick_span_s

    def wait_for(self, number: int) -> RigStatus:
        """Poll until sample `number` is there; the newest status. Raises NotReady when it does not come, RigError."""
        clock, rig = self._bench.clock, self._bench.rig
        until_s = clock.monotonic_s() + max(0.0, (number - self._count) / self.rate_hz) + LATE_S
        status = rig.poll(0.0)
        self.take()
        while self._count <= number:
            if status.fault:
                raise NotReady(f"The rig latched fault {status.fault}: remove its cause, reset it, then do this step again.")
            if clock.monotonic_s() > until_s:
                raise NotReady("The rig sends no samples: check the sampler, then do this step again.")
            status = rig.poll(min(TURN_S, max(0.001, (number - self._count) / self.rate_hz)))
            self.take()
        return status

    def levels(self, first: int, end: int) -> Floats:
        """Levels of both axes, share of the supply, of samples first to end - 1: shape (end - first, 2)."""
        codes = np.concatenate(self._codes) if self._codes else np.empty((0, 2), dtype=np.uint16)
        self._codes = [codes]
        levels: Floats = codes[first:end] * self._scale
        return levels

    def times_s(self, first: int, end: int) -> Floats:
        """Rig seconds of samples first to end - 1, to a sample's fraction that the rig takes to begin; shape (end - first,)."""
        return np.linspace(self._begin_s + first * self.period_s, self._begin_s + end * self.period_s, end - first, endpoint=False)

    @property
    def period_s(self) -> float:
        """Rig time from sample to sample, by the ticks that came with them."""
        return self.tick_span_s / (self._count - 1) if self._count > 1 and self.tick_span_s > 0 else 1.0 / self.rate_hz


@contextmanager
def streaming(bench: ProofBench, stick: int, supply_v: float) -> Iterator[Stream]:
    """A sample stream for the time of the block. It is ended when all went well; after an error the caller ends it, at rest."""
    stream = Stream(bench, stick, supply_v)
    yield stream
    bench.rig.carry_out(Sample(bench.stream, False, stick))
    stream.take()
