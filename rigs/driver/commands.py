"""The commands of the port as messages of the link: one line each, checked against the limits that the rig checks again."""

from dataclasses import dataclass
from typing import Final

from rigs.link.messages import (
    ANGLE_MAX_DECIDEG,
    ENERGISED_MAX_S,
    FREE_MS,
    HOLD_MS,
    JOG_SPEED_MAX_DECIDEG_S,
    Group,
    LampCode,
    Reference,
    Refusal,
)
from station.ports.rig import Command, Flick, Jog, Lamp, ReadLevel, ReadSupply, Reset, Sample, Unclamp
from station.quantities import GROUPS

CONVERSION_S: Final = 0.5  # a level is the mean of many conversions
UNCLAMP_S: Final = 2.0  # the slowest clamp we allow for; chosen, no source


@dataclass(frozen=True, slots=True)
class Order:
    """A command ready to be sent. says: what it is, for messages. duration_s: how long it may take at most. moves: the finger does."""

    message: str
    fields: dict[str, int]
    says: str
    duration_s: float
    moves: bool = False


class OutOfRange(ValueError):
    """A command beyond the limits of the link; never sent."""

    def __init__(self, refusal: Refusal, detail: str) -> None:
        super().__init__(detail)
        self.refusal = refusal


REST: Final = Order("REST", {}, "rest", 0.1)


def order_of(command: Command) -> Order:
    """The message that carries out a command. Raises OutOfRange."""
    match command:
        case Sample():
            fields = {"run": command.run_number, "stick": command.stick, "on": int(command.on)}
            return Order("SAMPLE", fields, f"{'begin' if command.on else 'end'} of sampling", 0.1)
        case Flick():
            return _flick(command)
        case Jog():
            return _jog(command)
        case ReadSupply():
            return Order("READ_LEVEL", {"what": Reference.UNIT_SUPPLY}, "reading of the supply", CONVERSION_S)
        case ReadLevel():
            return Order("READ_LEVEL", {"what": Reference[command.level.name]}, f"reading of the level {command.level}", CONVERSION_S)
        case Unclamp():
            return Order("UNCLAMP", {}, "unclamping", UNCLAMP_S)
        case Lamp():
            return Order("LAMP", {"lamp": LampCode[command.colour.name]}, f"lamp {command.colour.value}", 0.1)
        case Reset():
            return Order("RESET", {}, "reset of the fault", 0.1)


def _flick(flick: Flick) -> Order:
    hold_ms, free_ms = round(flick.hold_s * 1e3), round(flick.free_s * 1e3)
    _within("hold_s", hold_ms, HOLD_MS, "ms", Refusal.TIME_RANGE)
    _within("free_s", free_ms, FREE_MS, "ms", Refusal.TIME_RANGE)
    fields = {"run": flick.run_number, "stick": flick.stick, "group": _group(flick.group), "hold_ms": hold_ms, "free_ms": free_ms}
    return Order("FLICK", fields, f"flick {flick.group}", ENERGISED_MAX_S + flick.free_s, moves=True)


def _jog(jog: Jog) -> Order:
    angle, speed = round(jog.angle_deg * 10), round(jog.speed_deg_s * 10)
    _within("angle_deg", angle, (-ANGLE_MAX_DECIDEG, ANGLE_MAX_DECIDEG), "tenths of a degree", Refusal.ANGLE_RANGE)
    _within("speed_deg_s", speed, (1, JOG_SPEED_MAX_DECIDEG_S), "tenths of a degree per second", Refusal.ANGLE_RANGE)
    fields = {"stick": jog.stick, "group": _group(jog.group), "angle": angle, "speed": speed}
    return Order("JOG", fields, f"jog {jog.group}", ENERGISED_MAX_S, moves=True)


def _group(name: str) -> Group:
    return Group(GROUPS.index(name))


def _within(name: str, value: int, limits: tuple[int, int], unit: str, refusal: Refusal) -> None:
    low, high = limits
    if not low <= value <= high:
        raise OutOfRange(refusal, f"{name} is {value} {unit}; expected {low} to {high}")
