"""What a kind of procedure is made of: its steps, how each is carried out, what comes of all. One course per kind."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from station.ports import Clock, Rig
from station.proof import Outcome, Procedure, ReferenceUnit, Step
from station.records import Fitted, RigIdentity
from station.specification import Specification

STREAM_BASE = 1 << 31  # sample streams of procedures are numbered from here on, so that none is taken for a run's

Say = Callable[[str], None]
SpecificationOf = Callable[[str], Specification | None]


@dataclass(frozen=True, slots=True)
class ProofBench:
    """The hands of a step: what carrying it out needs from outside. say: one line of progress for whoever watches.

    stream: number under which this procedure's samples are taken. specification_of: by product, None if unknown. fitted: by serial.
    """

    rig: Rig
    clock: Clock
    identity: RigIdentity
    stream: int
    specification_of: SpecificationOf
    fitted: Callable[[str], Mapping[str, Fitted]]
    say: Say


@dataclass(frozen=True, slots=True)
class Concluding:
    """What concluding may rest on beside the procedure itself. calibration: name of the one in force, "" if none."""

    at: datetime
    calibration: str
    reference_units: tuple[ReferenceUnit, ...]
    specification_of: SpecificationOf


class Course(Protocol):
    def plan(
        self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: Callable[[str], Specification | None]
    ) -> dict[str, Any]:
        """The whole plan, JSON-ready, from what was asked. Raises UsageError naming key, value and expectation."""
        ...

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        """All steps, positions counted from 1."""
        ...

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        """Carry a step out and give its figures, JSON-ready. Raises RigError, NotReady, UsageError; then nothing is kept.

        The caller brings the finger to rest afterwards, whatever happened."""
        ...

    def conclude(self, procedure: Procedure, around: Concluding) -> Outcome:
        """What comes of it. Every step has a result. number 0. Raises UsageError when it cannot be concluded."""
        ...
