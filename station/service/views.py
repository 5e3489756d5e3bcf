"""What people are told about a rig, from what its worker knows. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from station.ports.desk import RigView
from station.records import RigIdentity, RigStatus, RunClosing, UnitIdentity, Verdict


class LinkState(StrEnum):
    NEVER = "never"
    UP = "up"
    DOWN = "down"


@dataclass(frozen=True, slots=True)
class RigFacts:
    """All the worker knows that people may see. ended: number and closing of the last run while its unit is still the topic."""

    name: str
    link: LinkState = LinkState.NEVER
    trouble: str = ""
    identity: RigIdentity | None = None
    status: RigStatus | None = None
    unit: UnitIdentity | None = None
    not_ready: tuple[str, ...] = ()
    way_on: str = ""
    run_number: int = 0
    progress: Mapping[str, Any] = field(default_factory=dict)
    ended: tuple[int, RunClosing] | None = None
    proving: str = ""
    proving_busy: bool = False

    def with_changes(self, changes: Mapping[str, Any]) -> "RigFacts":
        return replace(self, **changes)


def view_of(facts: RigFacts) -> RigView:
    """The view shown on pages and in the API."""
    state = _state(facts)
    closing = facts.ended[1] if facts.ended else None
    identity = facts.identity
    return RigView(
        name=facts.name,
        rig_id=identity.rig_id if identity else "",
        emulated=identity.emulated if identity else False,
        firmware=identity.firmware if identity else "",
        state=state,
        sentence=_sentence(facts, state),
        not_ready=facts.not_ready if facts.link is LinkState.UP else ("The rig is not linked.",),
        inputs=_inputs(facts.status),
        unit=facts.unit,
        run_number=facts.run_number,
        verdict=str(closing.verdict) if closing else "",
        reasons=closing.reasons if closing else (),
        progress=facts.progress,
        last_run=facts.ended[0] if facts.ended else 0,
    )


def _state(facts: RigFacts) -> str:
    if facts.run_number:
        return "running"
    if facts.proving_busy:
        return "proving"
    if facts.link is not LinkState.UP or facts.status is None:
        return "unlinked"
    if facts.status.fault:
        return "fault"
    if facts.proving:
        return "procedure"
    if facts.ended:
        return "ended"
    if not facts.not_ready:
        return "ready"
    return "not-ready" if facts.unit else "empty"


def _sentence(facts: RigFacts, state: str) -> str:
    if state == "running":
        unit = facts.unit.serial if facts.unit else "?"
        return f"Run {facts.run_number}: unit {unit} is being flicked. Keep hands out."
    if state in ("proving", "procedure"):
        return facts.proving
    if state == "unlinked":
        if facts.link is LinkState.NEVER and not facts.trouble:
            return "Looking for the rig."
        return f"Link lost: {facts.trouble.rstrip('.')}. Once it is back, scan the unit and press start again; nothing starts by itself."
    if state == "ended" and facts.ended:
        return _ended(*facts.ended)
    if state == "ready":
        return " ".join(filter(None, (facts.way_on, "Ready: press start on the rig.")))
    return " ".join(filter(None, (facts.way_on, *facts.not_ready)))


def _ended(number: int, closing: RunClosing) -> str:
    because = (closing.explanation or ", ".join(closing.reasons)).rstrip(".")
    words = {
        Verdict.PASS: "passed. Take it out.",
        Verdict.FAIL: f"failed: {', '.join(closing.reasons)}. Set it aside for rework.",
        Verdict.UNDECIDED: "is undecided: the evidence does not reach the stated risks. Start again for more flicks.",
        Verdict.INVALID: f"says nothing of the unit: {because}. Put it right and start again.",
    }
    return f"Run {number} {words[closing.verdict]}"


def _inputs(status: RigStatus | None) -> dict[str, bool]:
    if status is None:
        return {}
    inputs = status.inputs
    return {"clamp_closed": inputs.clamp_closed, "guard_closed": inputs.guard_closed, "stop_good": inputs.stop_good}
