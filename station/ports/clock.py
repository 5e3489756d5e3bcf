"""Time, handed in."""

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    def monotonic_s(self) -> float:
        """Seconds that never step; only differences mean something."""
        ...

    def utc(self) -> datetime:
        """Wall time, timezone-aware, UTC; for records, never for durations."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        ...
