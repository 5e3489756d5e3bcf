"""What the rig's refusals and faults mean, in plain sentences with what to do next."""

from typing import Final

from rigs.link.messages import FaultCode, Refusal

REFUSALS: Final[dict[Refusal, str]] = {
    Refusal.ACCEPTED: "it was accepted",
    Refusal.UNKNOWN_COMMAND: "its firmware does not know this command; update the firmware",
    Refusal.NO_HANDSHAKE: "it has restarted and knows nothing of this dialogue; connect again",
    Refusal.BUSY: "it is still carrying out another command; wait for its end",
    Refusal.FAULT_LATCHED: "a fault is latched; remove its cause, then reset",
    Refusal.CLAMP_OPEN: "the clamp is open; close the clamp",
    Refusal.GUARD_OPEN: "the guard is open; close the guard",
    Refusal.STOP_OPEN: "the emergency stop is pressed; release it, then reset",
    Refusal.ANGLE_RANGE: "the angle, step or speed is beyond the rig's limits",
    Refusal.TIME_RANGE: "a time is beyond the rig's limits",
    Refusal.WRONG_RUN: "the run number is not that of the sample stream; begin sampling first",
    Refusal.NOT_AT_REST: "the finger is not at rest or the stick is not free; wait for rest",
    Refusal.CAUSE_PRESENT: "the cause of the fault is still there; remove it, then reset",
}

FAULTS: Final[dict[FaultCode, str]] = {
    FaultCode.NONE: "no fault is latched",
    FaultCode.STOP: "the emergency stop was pressed; release it, then reset",
    FaultCode.GUARD: "the guard was opened; close it, then reset",
    FaultCode.CLAMP: "the clamp was opened; clamp the unit again, then reset",
    FaultCode.DEAD_MAN: "the rig heard no heartbeat for too long and went to rest; check the station's load and the cable, then reset",
    FaultCode.ENERGISED_TOO_LONG: "the finger was energised for too long; have the actuator checked, then reset",
    FaultCode.WATCHDOG: "the rig's firmware hung and was reset; have the rig checked, then reset",
    FaultCode.STOP_DISCREPANCY: "the two channels of the emergency stop disagree; have the stop repaired before any further use",
    FaultCode.SUPPLY: "the unit's supply left its range; check the unit and its plug, then reset",
    FaultCode.OVERRUN: "samples came faster than they could be taken; check the link's rate and the station's load, then reset",
}
