"""What the rig says of itself, turned into RigStatus, and the watch over it: silence, restart, deaf ears. Pure; times are handed in."""

from collections.abc import Mapping
from typing import Any, Final

from rigs.driver.clock_ratio import ClockRatio
from rigs.link.messages import HEARTBEAT_PERIOD_S, SILENCE_S, FaultCode, Inputs
from rigs.link.ticks import Unwrapper
from station.records import RigIdentity, RigInputs, RigStatus

UNHEARD_MAX: Final = 8  # heartbeats sent and not heard; at four the dead-man acts already
STALL_S: Final = 0.1  # twice what one read may take
SLACK_S: Final = 1e-9  # so that a deadline reached to the last bit of a float is reached
_EDGES: Final = ("start_presses", "guard_openings", "stop_events", "clamp_openings")


class Watch:
    """Supervision of one connected rig; begins at the handshake (now_s)."""

    def __init__(self, identity: RigIdentity, now_s: float) -> None:
        self.status: RigStatus | None = None
        self.fault_heard = FaultCode.NONE  # newest in a STATUS or FAULT frame; whoever waits for one sets it to NONE first
        self.clock_ratio = ClockRatio()
        self.restarted_as: int | None = None
        self._identity = identity
        self._heard_s = now_s
        self._listened_s = now_s
        self._beat_due_s = now_s
        self._beat = 0
        self._echo: int | None = None
        self._unheard = 0  # heartbeats sent since the rig last named another one
        self._ticks = Unwrapper(32)
        self._edges = {name: Unwrapper(8) for name in _EDGES}

    def ticks(self, raw: int) -> int:
        """Rig clock without wrap, ticks."""
        return self._ticks.unwrap(raw)

    def rig_s(self, raw: int) -> float:
        """Rig clock without wrap, s."""
        return self._ticks.unwrap(raw) / self._identity.tick_hz

    def take_status(self, fields: Mapping[str, Any], now_s: float) -> None:
        """A STATUS frame came."""
        if fields["boot"] != self._identity.boot:
            self.restarted_as = fields["boot"]
            return
        tick_s = self.rig_s(fields["tick"])
        self._heard_s = now_s
        if fields["heartbeat"] != self._echo:
            self._echo, self._unheard = fields["heartbeat"], 0
        self.fault_heard = fields["fault"]
        self.clock_ratio.note(now_s, tick_s)
        self.status = RigStatus(
            tick_s=tick_s,
            state=fields["state"].name,
            fault=fields["fault"].name if fields["fault"] else "",
            energised=bool(fields["energised"]),
            run_number=fields["run"],
            inputs=self._inputs(fields),
            boot=fields["boot"],
        )

    def listen(self, now_s: float) -> None:
        """A turn begins. When nobody listened for long, it is the station that was stalled: what the rig said then is still to be read."""
        gap_s = now_s - self._listened_s
        if gap_s > STALL_S:
            self._heard_s += gap_s

    def next_beat(self, now_s: float) -> int | None:
        """Counter of the heartbeat to send now, None when none is due."""
        if now_s < self._beat_due_s - SLACK_S:
            return None
        self._beat_due_s = now_s + HEARTBEAT_PERIOD_S
        self._beat = (self._beat + 1) & 0xFFFF
        self._unheard += 1
        return self._beat

    def wait_s(self, now_s: float, beating: bool) -> float:
        """How long nothing is due: neither a heartbeat, when beating, nor the end of patience with silence."""
        patient_until_s = self._heard_s + SILENCE_S
        return max(0.0, (min(self._beat_due_s, patient_until_s) if beating else patient_until_s) + SLACK_S - now_s)

    def silent(self, now_s: float) -> bool:
        """A turn ends: whether no STATUS came for SILENCE_S."""
        self._listened_s = now_s
        return now_s >= self._heard_s + SILENCE_S - SLACK_S

    def deaf(self) -> bool:
        """The rig sends, but our heartbeats do not arrive."""
        return self._unheard > UNHEARD_MAX

    def _inputs(self, fields: Mapping[str, Any]) -> RigInputs:
        bits = fields["inputs"]
        return RigInputs(
            clamp_closed=Inputs.CLAMP_CLOSED in bits,
            guard_closed=Inputs.GUARD_CLOSED in bits,
            stop_good=Inputs.STOP_GOOD in bits,
            start_down=Inputs.START_DOWN in bits,
            **{name: self._edges[name].unwrap(fields[name]) for name in _EDGES},
        )
