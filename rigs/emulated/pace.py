"""How fast a rig's time passes in a process: a factor of real time, or as fast as a real host allows."""

from collections.abc import Callable
from typing import Final, Protocol

from rigs.emulated.rig import EmulatedRig
from rigs.link.messages import HEARTBEAT_PERIOD_S
from station.errors import ConfigurationError

FACTOR: Final = (0.01, 100.0)
AHEAD_S: Final = HEARTBEAT_PERIOD_S  # of the last heartbeat; a heartbeat that comes 100 ms late still keeps the dead-man quiet


class Pace(Protocol):
    def rig_now_s(self) -> float:
        """The rig's present instant."""
        ...

    def host_s(self, rig_s: float) -> float:
        """Seconds of this process until the rig's time is rig_s."""
        ...


class SteadyPace:
    """Rig time passes `factor` times as fast as real time. Above 1 the host's heartbeats are that much rarer for the rig: its dead-man
    allows about 3 with a host that sends every 50 ms."""

    def __init__(self, now_s: Callable[[], float], factor: float = 1.0) -> None:
        if not FACTOR[0] <= factor <= FACTOR[1]:
            raise ConfigurationError("pace", factor, f"real, fast or {FACTOR[0]:g} to {FACTOR[1]:g}")
        self._now_s = now_s
        self._begin_s = now_s()
        self._factor = factor

    def rig_now_s(self) -> float:
        return (self._now_s() - self._begin_s) * self._factor

    def host_s(self, rig_s: float) -> float:
        return max(0.0, rig_s / self._factor - (self._now_s() - self._begin_s))


class HeartbeatPace:
    """ "fast" over a real link: while a command or a sample stream is under way, every heartbeat lets the rig run 50 ms ahead at once;
    else, and between heartbeats, its time passes as real time does.

    So a host that sends every 50 ms sees flicks up to twice as fast and no dead-man. A station that compares the rig's clock with its
    own rightly calls such runs invalid: this pace exercises links and pages. Campaigns use rigs.emulated.virtual, where both clocks agree.
    """

    def __init__(self, now_s: Callable[[], float], rig: EmulatedRig) -> None:
        self._now_s = now_s
        self._rig = rig
        self._seen_s = now_s()
        self._rig_s = rig.now_s

    def rig_now_s(self) -> float:
        now_s = self._now_s()
        self._rig_s, self._seen_s = max(self._rig_s, self._rig.now_s) + now_s - self._seen_s, now_s
        firmware = self._rig.firmware
        if firmware.job is not None or firmware.stream is not None:
            self._rig_s = max(self._rig_s, firmware.heartbeat_s + AHEAD_S)
        return self._rig_s

    def host_s(self, rig_s: float) -> float:
        return max(0.0, rig_s - self._rig_s - (self._now_s() - self._seen_s))


def pace_of(text: str, now_s: Callable[[], float], rig: EmulatedRig) -> Pace:
    """Pace from "real", "fast" or a factor. Raises ConfigurationError."""
    if text == "fast":
        return HeartbeatPace(now_s, rig)
    try:
        return SteadyPace(now_s, 1.0 if text == "real" else float(text))
    except ValueError as problem:
        raise ConfigurationError("pace", text, f"real, fast or {FACTOR[0]:g} to {FACTOR[1]:g}") from problem
