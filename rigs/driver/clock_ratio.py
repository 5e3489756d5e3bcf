"""The rig's clock against the host's: how fast one runs by the other. Pure; times are handed in."""

from typing import Final

BUCKET_S: Final = 1.0  # twenty status frames: one of them comes nearly undelayed
SPAN_MIN_S: Final = 2.0  # below, the host's own delays of some ms would be taken for drift


class ClockRatio:
    """Rig seconds per host second, from pairs of times.

    A frame can only be late, never early, so of every bucket of host time the pair with the least delay is used; the ratio is that between
    the best pair of the first bucket and the best of the newest full one. Its error is about (difference of the least delays) / span.
    """

    def __init__(self) -> None:
        self._first: tuple[float, float] | None = None
        self._last: tuple[float, float] | None = None
        self._best: tuple[float, float] | None = None
        self._bucket_begin_s = 0.0

    def note(self, host_s: float, rig_s: float) -> None:
        """A frame that the rig stamped with rig_s was read at host_s."""
        if self._best is None:
            self._bucket_begin_s, self._best = host_s, (host_s, rig_s)
            return
        if host_s - self._bucket_begin_s >= BUCKET_S:
            self._first = self._first or self._best
            self._last = self._best
            self._bucket_begin_s, self._best = host_s, (host_s, rig_s)
        elif host_s - rig_s < self._best[0] - self._best[1]:
            self._best = (host_s, rig_s)

    @property
    def span_s(self) -> float:
        """Host time between the two pairs that are compared, s."""
        return self._last[0] - self._first[0] if self._first and self._last else 0.0

    @property
    def ratio(self) -> float | None:
        """Rig seconds per host second; None before SPAN_MIN_S."""
        if self._first is None or self._last is None or self.span_s < SPAN_MIN_S:
            return None
        return (self._last[1] - self._first[1]) / self.span_s
