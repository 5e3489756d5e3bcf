"""What the doors (HTTP API, pages) may ask of the running station. Implemented by station.service."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from station.records import RunEvent, UnitIdentity


@dataclass(frozen=True, slots=True)
class RigView:
    """State of one rig as shown to people.

    state: "unlinked", "not-ready", "ready" (unit in, waiting for start), "empty" (waiting for a unit), "running", "ended", "fault",
    "procedure" (one is open: start carries out its next step), "proving" (such a step is being carried out).
    sentence: the same in one plain sentence with what to do next. not_ready: what is missing before a run may start.
    progress: JSON-ready; flicks done and wanted by group while running. last_run: number of the newest run, 0 if none.
    """

    name: str
    rig_id: str
    emulated: bool
    firmware: str
    state: str
    sentence: str
    not_ready: tuple[str, ...]
    inputs: Mapping[str, bool]
    unit: UnitIdentity | None
    run_number: int
    verdict: str
    reasons: tuple[str, ...]
    progress: Mapping[str, Any] = field(default_factory=dict)
    last_run: int = 0


class Desk(Protocol):
    def rigs(self) -> Sequence[RigView]: ...

    def rig(self, name: str) -> RigView:
        """Raises NotFound."""
        ...

    def scan(self, rig: str, unit: UnitIdentity, operator: str) -> RigView:
        """Say which unit is in the clamp. Starts nothing. Raises NotFound, Busy, NotReady, UsageError."""
        ...

    def start(self, rig: str) -> RigView:
        """Ask for a run from the local page; the same checks as for the button. Raises NotReady, Busy."""
        ...

    def halt(self, rig: str) -> RigView:
        """Finger to rest at once; ends a run as invalid. Idempotent. No safety function."""
        ...

    def reset(self, rig: str) -> RigView:
        """Clear a latched fault once its cause is gone."""
        ...

    def alarms(self) -> Mapping[str, str]:
        """Specifications decided by count alone since a pooled monitor alarmed, each with its sentence."""
        ...

    def set_back(self, specification: str, operator: str, cause: str) -> None:
        """Set a pooled monitor back once the cause was found. Raises NotFound, UsageError, StoreError."""
        ...

    def recent_events(self, rig: str | None = None, after: int = 0) -> Sequence[tuple[int, RunEvent]]:
        """Newest events, oldest first, with their numbers; from a bounded ring."""
        ...

    def watch(self, wake: Callable[[], None]) -> Callable[[], None]:
        """Call `wake` (from any thread) whenever an event was added. Returns the function that ends the watching."""
        ...

    def ready(self) -> Mapping[str, str]:
        """Checks of readiness by name; "" where good, else one sentence."""
        ...
