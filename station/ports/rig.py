"""The rig as the service sees it: connect, poll, carry out a command, take samples, halt, close.

All calls but request_halt come from one thread, the rig's worker. `poll` is one turn of the loop: heartbeat if due, then read;
while a command is carried out the driver polls by itself. Nobody else sends heartbeats: a hung worker brings the finger to rest.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from station.records import RigIdentity, RigStatus, SampleChunk


class LampColour(StrEnum):
    """What the lamp says; words, since colour alone is never the message."""

    OFF = "off"
    BUSY = "busy"
    PASS = "pass"
    FAIL = "fail"
    ATTENTION = "attention"


@dataclass(frozen=True, slots=True)
class Sample:
    """Begin (on) or end the sample stream of one stick in a run. Samples are numbered from 0 at each beginning."""

    run_number: int
    on: bool
    stick: int = 0


@dataclass(frozen=True, slots=True)
class Flick:
    """One flick, carried out by the rig alone: push to full deflection, hold, let go, stay clear for free_s, return home."""

    run_number: int
    group: str
    hold_s: float
    free_s: float
    stick: int = 0


@dataclass(frozen=True, slots=True)
class Jog:
    """One slow step of the finger for calibration; renewed step by step. angle_deg from home along the group's direction."""

    group: str
    angle_deg: float
    speed_deg_s: float
    stick: int = 0


@dataclass(frozen=True, slots=True)
class ReadSupply:
    """Measure the unit's supply voltage; Done.value is volts."""


class Level(StrEnum):
    """What the converter looks at when it is checked. HALF_SOURCE: half of the reference behind 10 kilohm, which its input loads."""

    LOW = "low"
    HALF = "half"
    FULL = "full"
    HALF_SOURCE = "half-source"


@dataclass(frozen=True, slots=True)
class ReadLevel:
    """Measure a reference of the converter with the converter; Done.value is volts."""

    level: Level


@dataclass(frozen=True, slots=True)
class Unclamp:
    """Open the clamp. Refused unless the finger is home, de-energised, and the stick is free."""


@dataclass(frozen=True, slots=True)
class Lamp:
    colour: LampColour


@dataclass(frozen=True, slots=True)
class Reset:
    """Clear a latched fault once its cause is gone. Moves nothing and starts nothing."""


Command = Sample | Flick | Jog | ReadSupply | ReadLevel | Unclamp | Lamp | Reset


@dataclass(frozen=True, slots=True)
class Done:
    """A finished command. Ticks in seconds of the rig's clock; samples are sequence numbers in the run (equal when nothing was sampled)."""

    begin_s: float
    end_s: float
    first_sample: int
    last_sample: int
    value: float = 0.0


class Rig(Protocol):
    name: str

    def connect(self) -> RigIdentity:
        """Open the link and shake hands. Raises LinkLost, LinkBad, RigMismatch."""
        ...

    def poll(self, wait_s: float) -> RigStatus:
        """One turn: heartbeat if due, read for at most wait_s. Raises LinkLost after 300 ms of silence, RigFault on a reboot."""
        ...

    def carry_out(self, command: Command) -> Done:
        """Do it once, whatever frames are lost on the way. Raises LinkLost, RigRefused, RigFault."""
        ...

    def take_samples(self) -> SampleChunk:
        """Samples of the current run since the last take."""
        ...

    def halt(self) -> None:
        """Order rest at once; never raises, may be called in any state, also from `finally`. No safety function."""
        ...

    def request_halt(self) -> None:
        """May be called from any thread: the owner's next turn (within 20 ms) orders rest; a command under way ends with RigFault."""
        ...

    def close(self) -> None:
        """Give the port back. Idempotent."""
        ...
