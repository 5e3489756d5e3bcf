"""Where results go. Every verb is one transaction; when it returns, the record is safe."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

from station.records import Fitted, LastRun, RunClosing, RunOpening, TraceBlock
from station.specification import Specification


class ResultSink(Protocol):
    def open_run(self, opening: RunOpening) -> int:
        """Record that a run begins, before anything moves. Returns the run's number (1 .. 2**32 - 1). Raises StoreError."""
        ...

    def keep_part(self, run_number: int, block: TraceBlock) -> None:
        """Keep a part of the trace of a run that is still going on, so that a crash loses little. Raises StoreError."""
        ...

    def close_run(self, run_number: int, closing: RunClosing) -> None:
        """Record the end; replaces the kept parts. Raises StoreError, also when the run is already closed."""
        ...

    def close_interrupted(self, station: str, ended_at: datetime) -> Sequence[int]:
        """Close every run of this station that never ended as `invalid`, reason `interrupted`, parts kept as its trace."""
        ...

    def monitors(self) -> Mapping[str, Mapping[str, Any]]:
        """State of the pooled monitors, by specification label, as last kept."""
        ...

    def keep_monitor(self, specification: str, document: Mapping[str, Any], at: datetime) -> None:
        """Keep the state of a pooled monitor that a person has set back. Raises StoreError."""
        ...

    def keep_specification(self, text: str, specification: Specification, at: datetime) -> None:
        """Store a revision; the same revision with another digest is a SpecificationError. Idempotent."""
        ...

    def fitted(self, serial: str) -> dict[str, Fitted]:
        """What is known to be fitted in a unit, by stick; empty when nothing was ever recorded."""
        ...

    def last_run(self, serial: str) -> LastRun | None:
        """The newest run of a unit, open or closed; None when it was never tested."""
        ...
