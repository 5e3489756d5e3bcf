"""The computer's clock, as the service sees it."""

import time
from datetime import UTC, datetime


class SystemClock:
    """Implements station.ports.Clock."""

    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)
