"""The firmware's sample stream: which sample is taken when, and the blocks it is sent in."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigs.emulated.clock import RigClock
from rigs.emulated.sampler import Sampler
from rigs.link import encode, pack_samples
from rigs.link.messages import BLOCK_MAX_SAMPLES

NUDGE_S: Final = 1e-9  # an instant is a sample's own when it is no further away: rounding of doubles over days is below it


class SampleStream:
    """One stream of one stick. Sample n is conversion n of the sampler, unless the sampler's law loses or doubles some."""

    def __init__(self, run: int, stick: int, sampler: Sampler, clock: RigClock) -> None:
        self.run = run
        self.stick = stick
        self.sent = 0
        self._sampler = sampler
        self._clock = clock

    @property
    def next_block_s(self) -> float:
        """When the last sample of the next whole block is taken."""
        return self._time(self.sent + BLOCK_MAX_SAMPLES - 1)

    def before(self, time_s: float) -> int:
        """Samples taken before an instant."""
        clock = self._sampler.clock
        return self._samples(max(0, math.ceil((time_s - clock.begin_s - NUDGE_S) / clock.period_s)))

    def taken(self, time_s: float) -> int:
        """Samples taken up to and at an instant."""
        return self.before(time_s + 2 * NUDGE_S)

    def blocks(self, time_s: float, planned_until_s: float) -> list[bytes]:
        """Frames with every sample taken up to an instant and not sent yet."""
        frames = []
        while (count := min(BLOCK_MAX_SAMPLES, self.taken(time_s) - self.sent)) > 0:
            frames.append(self._block(count, planned_until_s))
        return frames

    def _block(self, count: int, planned_until_s: float) -> bytes:
        first, self.sent = self.sent, self.sent + count
        codes = self._codes(first, count, planned_until_s)
        self._sampler.keep(codes)
        tick = self._clock.tick(self._time(first))
        return encode("SAMPLES", run=self.run, first=first, tick=tick, stick=self.stick, tail=pack_samples(codes))

    def _codes(self, first: int, count: int, planned_until_s: float) -> NDArray[np.uint16]:
        if not self._sampler.law.lost:
            return self._sampler.codes(first, count, planned_until_s)
        numbers = [self._conversion(number) for number in range(first, first + count)]
        return np.concatenate([self._sampler.codes(number, 1, planned_until_s) for number in numbers])

    def _conversion(self, sample: int) -> int:
        law = self._sampler.law
        losing = law.lost and sample >= law.lost_at and not 0 < law.repaid_at <= sample
        return sample + law.lost if losing else sample

    def _samples(self, conversions: int) -> int:
        """Samples that so many conversions make."""
        law = self._sampler.law
        if not law.lost or conversions <= law.lost_at:
            return conversions
        short = max(law.lost_at, conversions - law.lost)
        return conversions if 0 < law.repaid_at <= short else short

    def _time(self, sample: int) -> float:
        return self._sampler.clock.time(self._conversion(sample))
