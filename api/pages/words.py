"""What people read: cautions, reasons and verdicts in plain words. One catalogue; nothing on a page says these things otherwise."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from station.judge.reasons import MEANINGS

CAUTIONS: Final = (
    "Close the guard; hands out before start. The emergency stop must be within reach.",
    "Supply off before hands go in.",
    "Halt on this page is no safety function: the emergency stop and the guard cut the finger's power in hardware.",
    "Local workplace rules, the makers' instructions and qualified persons come first.",
)

VERDICTS: Final[Mapping[str, str]] = {
    "pass": "Every group of every stick passed and no limit is broken.",
    "fail": "At least one limit is broken, at the stated risks.",
    "undecided": "The evidence does not reach the stated risks: neither passed nor failed.",
    "invalid": "The recording or the rig is at fault. Nothing is said of the unit.",
    "": "The run has not ended.",
}

REASONS: Final[Mapping[str, str]] = {
    **MEANINGS,
    "no-unit": "There is no unit on the probes.",
    "rig-link": "The link to the rig failed, or samples were lost on it.",
    "rig-stop": "The emergency stop opened.",
    "rig-guard": "The guard opened.",
    "rig-clamp": "The clamp opened, or the unit changed.",
    "rig-clock": "The rig's clock and this computer's do not agree.",
    "rig-supply": "The unit's supply voltage is off or unsteady.",
    "rig-calibration": "The rig's calibration is missing or out of date.",
    "scorer": "Measuring failed; the trace is kept and can be scored again.",
    "interrupted": "The run was ended before its verdict.",
}


@dataclass(frozen=True, slots=True)
class ReasonShown:
    """A reason with its sentence. code: without what it is about; part: group, axis or ""; stick: "" unless named."""

    code: str
    part: str
    sentence: str


def reason_shown(reason: str) -> ReasonShown:
    """A reason like `snapback:x+` in words; an unknown code is shown as it is and never hidden."""
    code, _, part = reason.partition(":")
    where = f"{part_words(part)}: " if part else ""
    return ReasonShown(reason, part, f"{where}{REASONS.get(code, code)}")


def reasons_shown(reasons: Sequence[str]) -> list[ReasonShown]:
    """All of them, in order."""
    return [reason_shown(reason) for reason in reasons]


def part_words(part: str) -> str:
    """`x+` as "group x+", `x` as "axis x"."""
    return f"group {part}" if part.endswith(("+", "-")) else f"axis {part}"


def rig_words(name: str) -> str:
    """`a` as "Rig a"; a name that says rig itself stays as it is."""
    return name if name.lower().startswith("rig") else f"Rig {name}"
