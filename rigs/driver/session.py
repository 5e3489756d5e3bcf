"""One connection to a rig, from handshake to loss: turns of the loop, and numbered commands asked until they are answered."""

import threading
from collections import Counter
from collections.abc import Mapping
from typing import Any, Final

from rigs.driver.clock_ratio import ClockRatio
from rigs.driver.commands import REST, Order
from rigs.driver.line import Line
from rigs.driver.pending import Pending
from rigs.driver.samples import PENDING_MAX, SampleStream
from rigs.driver.sentences import FAULTS, REFUSALS
from rigs.driver.watch import SLACK_S, Watch
from rigs.link import Received, unpack_samples
from rigs.link.messages import SILENCE_S, STATUS_PERIOD_S, FaultCode, Outcome, Refusal
from station.errors import LinkLost, RigFault, RigRefused
from station.ports import Clock
from station.records import RigIdentity, RigStatus

HALT_MARGIN_S: Final = 0.15  # with REST's own 0.1 s a quarter of a second, what the dead-man needs as well
HALT_AGAIN_S: Final = 0.03
TURN_MAX_S: Final = 0.02  # within it a halt asked for by another thread is seen
FAULT_NAME_S: Final = 2 * STATUS_PERIOD_S  # the FAULT frame was lost: the next STATUS but one names the fault


class Session:
    """A connected rig. Begins at the handshake; every error that ends it closes the line.

    halt_asked: set by any thread; the next turn orders rest and clears it.
    """

    def __init__(self, line: Line, clock: Clock, identity: RigIdentity, halt_asked: threading.Event) -> None:
        self.stream = SampleStream(identity.sample_rate_hz, identity.tick_hz)
        self.counters: Counter[str] = Counter()
        self.watch = Watch(identity, clock.monotonic_s())
        self._line = line
        self._clock = clock
        self._halt_asked = halt_asked
        self._number = 0
        self._pending: Pending | None = None
        self._overrun_told = False
        self._rested = False  # a halt was obeyed between two commands: whoever waits there would move on without knowing

    def first_status(self) -> RigStatus:
        """Turn until the rig has said how it is. Raises LinkLost, RigFault."""
        while self.watch.status is None:
            self.turn(SILENCE_S)
        return self.watch.status

    def turn(self, wait_s: float, beating: bool = True) -> None:
        """Heartbeat if due, then read, for wait_s or TURN_MAX_S at most; back as soon as something came. Raises LinkLost, RigFault."""
        now_s = self._clock.monotonic_s()
        self.watch.listen(now_s)
        beat = self.watch.next_beat(now_s) if beating else None
        if beat is not None:
            self._line.send("HEARTBEAT", counter=beat)
        self._read(min(wait_s, TURN_MAX_S, self.watch.wait_s(now_s, beating)))
        if self.watch.silent(self._clock.monotonic_s()):
            self._read(SLACK_S)  # a last look: what comes at the very end is in time
        self._check(self._clock.monotonic_s())

    def begin_samples(self, run_number: int, stick: int) -> None:
        """What comes from now on belongs to this stream: the first block may overtake the answer to the command."""
        self.stream.begin(run_number, stick)
        self._overrun_told = self._rested = False
        self.watch.clock_ratio = ClockRatio()

    def ask(self, order: Order) -> Mapping[str, Any]:
        """Fields of the command's DONE. Raises LinkLost (no answer in time), RigRefused, RigFault.

        A movement is not begun when rest was ordered since the last beginning of sampling, or since the last movement that it ended.
        """
        if order.moves and (self.obey() or self._rested):
            self._rested = False
            raise self._halted(order)
        pending = self._begin(Pending(self._next_number(), order, self._clock.monotonic_s()))
        self.watch.fault_heard = FaultCode.NONE
        while not pending.answered:
            if self.obey():
                raise self._halted(order)
            self._pursue(pending)
            if order.moves and self.watch.fault_heard and not pending.answered:
                raise self._faulted(order, self.watch.fault_heard)
        return self._answer(pending)

    def obey(self) -> bool:
        """Order rest when a halt was asked for; whether it was. Raises LinkLost, RigFault."""
        asked = self._halt_asked.is_set()
        if asked:
            self.rest()
        return asked

    def obey_waiting(self) -> None:
        """The same between two commands; the next movement of the same stream is then not begun. Raises LinkLost, RigFault."""
        if self.obey():
            self._rested = True

    def rest(self) -> None:
        """REST at once and again until the rig confirms it, for a quarter of a second at most. Raises LinkLost, RigFault.

        No heartbeat goes out meanwhile: where REST does not arrive the rig's dead-man acts.
        """
        self._halt_asked.clear()
        pending = self._begin(Pending(self._next_number(), REST, self._clock.monotonic_s(), HALT_MARGIN_S, HALT_AGAIN_S))
        while not pending.answered:
            self._pursue(pending, beating=False)
        self._answer(pending)

    def _next_number(self) -> int:
        self._number = (self._number + 1) & 0xFFFF
        return self._number

    def _begin(self, pending: Pending) -> Pending:
        self._pending = pending
        return pending

    def _pursue(self, pending: Pending, beating: bool = True) -> None:
        """One turn for a command: send it when due, read, and see whether time is up."""
        now_s = self._clock.monotonic_s()
        if pending.to_be_sent(now_s):
            self.counters["commands_sent_again"] += pending.sendings > 1
            self._line.send(pending.order.message, command=pending.number, **pending.order.fields)
        self.turn(pending.wait_s(now_s), beating)
        if pending.overdue(self._clock.monotonic_s()):
            self.turn(SLACK_S, beating)  # a last look
        if pending.overdue(self._clock.monotonic_s()):
            raise self._line.end(
                LinkLost(
                    f"rig {self._line.name} did not end the {pending.order.says} within {pending.limit_s:.2f} s though asked "
                    f"{pending.sendings} times; check the rig and its cable",
                    cause="no-answer",
                )
            )

    def _answer(self, pending: Pending) -> Mapping[str, Any]:
        order, refusal = pending.order, pending.refusal
        if pending.done is None:
            if refusal == Refusal.NO_HANDSHAKE:
                raise self._restarted()
            raise RigRefused(
                f"rig {self._line.name} refused the {order.says}: {REFUSALS[refusal]}",
                refusal=refusal.name,
                layer="rig",
                command=order.message,
            )
        outcome = pending.done["outcome"]
        if outcome == Outcome.FAULTED:
            raise self._faulted(order, self._named_fault())
        if outcome == Outcome.HALTED:
            raise self._halted(order)
        return pending.done

    def _named_fault(self) -> FaultCode:
        """The fault that ended a command, waited for when its own frame was lost."""
        deadline_s = self._clock.monotonic_s() + FAULT_NAME_S
        while not self.watch.fault_heard and self._clock.monotonic_s() < deadline_s:
            self.turn(deadline_s - self._clock.monotonic_s())
        return self.watch.fault_heard

    def _halted(self, order: Order) -> RigFault:
        return RigFault(f"rig {self._line.name}: the {order.says} was ended by an order to rest", fault="HALTED")

    def _faulted(self, order: Order, fault: FaultCode) -> RigFault:
        says = FAULTS[fault] if fault else "a fault that the rig did not name"
        return RigFault(f"rig {self._line.name}: the {order.says} was ended by a fault: {says}", fault=fault.name if fault else "")

    def _read(self, wait_s: float) -> None:
        for message in self._line.receive(wait_s):
            self._hear(message)

    def _hear(self, message: Received) -> None:
        fields = message.fields
        if message.name == "SAMPLES":
            codes = unpack_samples(message.tail)
            self.stream.add(fields["run"], fields["stick"], fields["first"], self.watch.ticks(fields["tick"]), codes)
        elif message.name == "STATUS":
            self.watch.take_status(fields, self._clock.monotonic_s())
        elif message.name == "FAULT":
            self.watch.fault_heard = fields["fault"]
        elif message.name in ("ACK", "DONE"):
            self._hear_answer(message)

    def _hear_answer(self, message: Received) -> None:
        if self._pending is None or self._pending.answered or message.fields["command"] != self._pending.number:
            self.counters["answers_ignored"] += 1
        else:
            self._pending.take(message, self._clock.monotonic_s())

    def _check(self, now_s: float) -> None:
        """What ends a connection, or the trust in its samples."""
        if self.watch.restarted_as is not None:
            raise self._restarted()
        if self.watch.silent(now_s):
            raise self._line.end(
                LinkLost(f"rig {self._line.name} has been silent for {SILENCE_S * 1e3:.0f} ms; check its cable and power", cause="silent")
            )
        if self.watch.deaf():
            raise self._line.end(LinkLost(f"rig {self._line.name} sends but does not hear the station; check its cable", cause="deaf"))
        if self.stream.overflowed and not self._overrun_told:
            self._overrun_told = True
            raise RigFault(
                f"rig {self._line.name}: more than {PENDING_MAX} samples waited to be taken; {FAULTS[FaultCode.OVERRUN]}",
                fault=FaultCode.OVERRUN.name,
            )

    def _restarted(self) -> RigFault:
        return self._line.end(
            RigFault(
                f"rig {self._line.name} has restarted; check its power supply, then connect and start again",
                fault="RESTART",
                boot=self.watch.restarted_as,
            )
        )
