"""Where one axis is at any instant: segments of motion one after another, replaced from an instant on when something new happens."""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rigs.emulated.stick import Segment, Still, position_at
from station.records import Floats

KEPT_SEGMENTS: Final = 64  # older ones can no longer be asked for; a flick makes about ten


class Path:
    """Motion of one axis. Ask in any order at or after the begin of the oldest kept segment."""

    def __init__(self, counts: float = 0.0, begin_s: float = 0.0) -> None:
        self._segments: list[Segment] = [Still(begin_s, counts)]
        self._begins = [begin_s]

    def position(self, times_s: Floats) -> Floats:
        """Counts at rising instants; times_s shape (n,)."""
        counts = np.empty(len(times_s))
        edges = np.searchsorted(times_s, self._begins[1:])
        begin = 0
        for segment, end in zip(self._segments, [*edges, len(times_s)], strict=True):
            if end > begin:
                counts[begin:end] = segment.position(times_s[begin:end])
                begin = end
        return counts

    def state(self, time_s: float) -> tuple[float, float]:
        """Counts and counts per second at one instant."""
        segment = self.segment(time_s)
        return position_at(segment, time_s), segment.velocity(time_s)

    def segment(self, time_s: float) -> Segment:
        """The segment that holds at an instant."""
        return self._segments[max(0, bisect_right(self._begins, time_s) - 1)]

    def follow(self, segments: Sequence[Segment]) -> None:
        """Let these hold from the first one's begin on, whatever was to come before."""
        keep = bisect_right(self._begins, segments[0].begin_s)
        while keep and self._begins[keep - 1] >= segments[0].begin_s:
            keep -= 1
        self._segments = [*self._segments[max(0, keep - KEPT_SEGMENTS) : keep], *segments]
        self._begins = [one.begin_s for one in self._segments]

    def tail(self, time_s: float) -> "Path":
        """The motion from an instant on as a path of its own; what a finger holds there is simply still."""
        now = self.segment(time_s)
        ahead = [one for one in self._segments if one.begin_s > time_s]
        held = isinstance(now, Pushed) and now.until_s <= time_s
        return Path.of([Still(time_s, position_at(now, time_s)) if held else now, *ahead])

    @classmethod
    def of(cls, segments: Sequence[Segment]) -> "Path":
        """A path that begins with these segments."""
        made = cls()
        made._segments, made._begins = list(segments), [one.begin_s for one in segments]
        return made

    def largest(self, begin_s: float, end_s: float, sign: int) -> float:
        """Largest sign * counts between two instants, to a step of 20 us: far below what a flick-to-flick spread hides."""
        times_s = np.linspace(begin_s, end_s, max(2, math.ceil((end_s - begin_s) / 20e-6)))
        return float(np.max(sign * self.position(times_s)))


@dataclass(frozen=True, slots=True)
class Pushed:
    """The finger comes from one side and takes the stick along as soon as it touches it, up to the gate.

    under: where the stick would be without the finger. The finger is at touch_s at the stick's neutral place and moves on at
    speed (counts per second) until until_s.
    """

    begin_s: float
    under: Path
    sign: int
    touch_s: float
    speed: float
    until_s: float
    gate: float

    def position(self, times_s: Floats) -> Floats:
        finger = self.speed * (np.minimum(times_s, self.until_s) - self.touch_s)
        return self.sign * np.minimum(np.maximum(self.sign * self.under.position(times_s), finger), self.gate)

    def velocity(self, time_s: float) -> float:
        finger = self.speed * (min(time_s, self.until_s) - self.touch_s)
        under, own = self.under.state(time_s)
        if finger <= self.sign * under:
            return own
        return self.sign * self.speed if finger < self.gate and time_s < self.until_s else 0.0


@dataclass(frozen=True, slots=True)
class Retreating:
    """The finger withdraws slowly and the stick's spring keeps it against the finger, until dry friction holds the stick."""

    begin_s: float
    sign: int
    start: float
    speed: float
    until_s: float
    holds: float

    def position(self, times_s: Floats) -> Floats:
        gone = self.speed * (np.minimum(times_s, self.until_s) - self.begin_s)
        return self.sign * np.maximum(self.start - gone, min(self.holds, self.start))

    def velocity(self, time_s: float) -> float:
        moving = time_s < self.until_s and self.start - self.speed * (time_s - self.begin_s) > self.holds
        return -self.sign * self.speed if moving else 0.0
