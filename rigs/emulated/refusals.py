"""Why a command is refused: one list of checks per command, the first that objects gives the answer."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from rigs.link.messages import (
    ANGLE_MAX_DECIDEG,
    ENERGISED_MAX_S,
    FREE_MS,
    HOLD_MS,
    JOG_SPEED_MAX_DECIDEG_S,
    JOG_STEP_MAX_DECIDEG,
    FaultCode,
    Group,
    Inputs,
    Refusal,
)

if TYPE_CHECKING:
    from rigs.emulated.firmware import Firmware

Fields = Mapping[str, Any]
Check = Callable[["Firmware", Fields], Refusal]
OK: Final = Refusal.ACCEPTED
JOG_ARRIVES_S: Final = ENERGISED_MAX_S - 0.05  # a step must be done with time left to renew it


def refusal_of(firmware: "Firmware", name: str, fields: Fields) -> Refusal:
    """ACCEPTED, or the first objection to the command `name`."""
    return next((answer for check in CHECKS[name] if (answer := check(firmware, fields)) is not OK), OK)


def _handshake(firmware: "Firmware", fields: Fields) -> Refusal:
    return OK if firmware.handshake else Refusal.NO_HANDSHAKE


def _no_fault(firmware: "Firmware", fields: Fields) -> Refusal:
    return OK if firmware.fault is FaultCode.NONE else Refusal.FAULT_LATCHED


def _idle(firmware: "Firmware", fields: Fields) -> Refusal:
    return OK if firmware.job is None else Refusal.BUSY


def _safe(firmware: "Firmware", fields: Fields) -> Refusal:
    inputs, chain = firmware.plant.panel.bits(), firmware.plant.chain
    if Inputs.STOP_GOOD not in inputs or chain.latched:
        return Refusal.STOP_OPEN
    if Inputs.CLAMP_CLOSED not in inputs:
        return Refusal.CLAMP_OPEN
    return OK if Inputs.GUARD_CLOSED in inputs else Refusal.GUARD_OPEN


def _stick(firmware: "Firmware", fields: Fields) -> Refusal:
    return OK if fields["stick"] < firmware.settings.sticks else Refusal.UNKNOWN_COMMAND


def _flick_times(firmware: "Firmware", fields: Fields) -> Refusal:
    good = HOLD_MS[0] <= fields["hold_ms"] <= HOLD_MS[1] and FREE_MS[0] <= fields["free_ms"] <= FREE_MS[1]
    return OK if good else Refusal.TIME_RANGE


def _run(firmware: "Firmware", fields: Fields) -> Refusal:
    stream = firmware.stream
    same = stream is not None and stream.run == fields["run"] and stream.stick == fields["stick"]
    return OK if same else Refusal.WRONG_RUN


def _at_rest(firmware: "Firmware", fields: Fields) -> Refusal:
    return OK if firmware.plant.at_rest(firmware.now_s) else Refusal.NOT_AT_REST


def _jog_step(firmware: "Firmware", fields: Fields) -> Refusal:
    step = abs(fields["angle"] - 10.0 * firmware.plant.ordered_deg(fields["group"]))
    good = abs(fields["angle"]) <= ANGLE_MAX_DECIDEG and step <= JOG_STEP_MAX_DECIDEG + 0.5
    return OK if good else Refusal.ANGLE_RANGE


def _jog_speed(firmware: "Firmware", fields: Fields) -> Refusal:
    speed = fields["speed"]
    if not 1 <= speed <= JOG_SPEED_MAX_DECIDEG_S:
        return Refusal.TIME_RANGE
    step = abs(fields["angle"] - 10.0 * firmware.plant.ordered_deg(fields["group"]))
    return OK if step / speed <= JOG_ARRIVES_S else Refusal.TIME_RANGE


def _other_fingers_home(firmware: "Firmware", fields: Fields) -> Refusal:
    fingers = zip(Group, firmware.plant.mechanism.fingers, strict=True)
    good = all(group == fields["group"] or finger.at_home(firmware.now_s) for group, finger in fingers)
    return OK if good else Refusal.NOT_AT_REST


def _jogged_stick(firmware: "Firmware", fields: Fields) -> Refusal:
    stream = firmware.stream
    return OK if stream is None or stream.stick == fields["stick"] else Refusal.WRONG_RUN


def _not_sampling(firmware: "Firmware", fields: Fields) -> Refusal:
    return OK if firmware.stream is None else Refusal.BUSY


def _cause_gone(firmware: "Firmware", fields: Fields) -> Refusal:
    inputs = firmware.plant.panel.bits()
    cause = {
        FaultCode.GUARD: Inputs.GUARD_CLOSED not in inputs,
        FaultCode.CLAMP: Inputs.CLAMP_CLOSED not in inputs,
        FaultCode.SUPPLY: Inputs.CLAMP_CLOSED in inputs and Inputs.UNIT_POWER_GOOD not in inputs,
        FaultCode.STOP_DISCREPANCY: firmware.plant.chain.discrepant,
    }
    return Refusal.CAUSE_PRESENT if Inputs.STOP_GOOD not in inputs or cause.get(firmware.fault, False) else OK


_MOTION: Final[tuple[Check, ...]] = (_handshake, _no_fault, _idle, _safe, _stick)
CHECKS: Final[dict[str, tuple[Check, ...]]] = {
    "SAMPLE": (_handshake, _no_fault, _idle, _stick),
    "FLICK": (*_MOTION, _flick_times, _run, _at_rest),
    "JOG": (*_MOTION, _jog_step, _jog_speed, _jogged_stick, _other_fingers_home),
    "UNCLAMP": (_handshake, _idle, _not_sampling, _at_rest),
    "READ_LEVEL": (_handshake, _idle),
    "LAMP": (_handshake,),
    "REST": (),
    "RESET": (_handshake, _idle, _cause_gone),
}
