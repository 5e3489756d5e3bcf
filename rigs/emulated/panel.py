"""Input bits as the firmware sees them, counters of their edges, and the hand that may falsify a bit."""

from collections.abc import Callable
from typing import Final

from rigs.emulated.chain import SafetyChain
from rigs.link.messages import Inputs

COUNTED: Final = {  # the edge that is counted: when a bit goes to this value
    Inputs.START_DOWN: True,
    Inputs.GUARD_CLOSED: False,
    Inputs.STOP_GOOD: False,
    Inputs.CLAMP_CLOSED: False,
}
COUNTER_WRAPS: Final = 256


class Panel:
    """Switches and the chain's contacts. `changed` is called after every change of a bit that the firmware can see."""

    def __init__(self, chain: SafetyChain) -> None:
        self.changed: Callable[[float], None] = lambda time_s: None
        self.clamp_closed = False
        self.start_down = False
        self.power_good = False
        self.forced: dict[Inputs, bool] = {}
        self._chain = chain
        self._seen = self.bits()
        self._edges = dict.fromkeys(COUNTED, 0)

    def bits(self) -> Inputs:
        """The bits now, with those that are falsified."""
        truth = {
            Inputs.CLAMP_CLOSED: self.clamp_closed,
            Inputs.GUARD_CLOSED: self._chain.guard_closed,
            Inputs.STOP_GOOD: self._chain.stop_good,
            Inputs.START_DOWN: self.start_down,
            Inputs.UNIT_POWER_GOOD: self.power_good,
        }
        value = Inputs(0)
        for bit, on in truth.items():
            if self.forced.get(bit, on):
                value |= bit
        return value

    def edges(self, bit: Inputs) -> int:
        """Edges counted in hardware, also while the firmware hangs; wraps at 256."""
        return self._edges[bit] % COUNTER_WRAPS

    def forget_edges(self) -> None:
        """A restart clears the counters."""
        self._edges = dict.fromkeys(COUNTED, 0)

    def update(self, time_s: float) -> None:
        """Something was switched: count edges and tell the firmware."""
        now = self.bits()
        if now == self._seen:
            return
        for bit, counts_rising in COUNTED.items():
            if (bit in now) != (bit in self._seen) and (bit in now) == counts_rising:
                self._edges[bit] += 1
        self._seen = now
        self.changed(time_s)
