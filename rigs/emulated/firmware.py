"""The firmware: dialogue, commands, dead-man, maximum energised time, faults, status. It sees the plant only as real firmware would."""

import math
from collections.abc import Callable
from typing import Any, Final

from rigs.emulated.jobs import Job, begin
from rigs.emulated.laws import IdentityLaw
from rigs.emulated.plant import Plant
from rigs.emulated.refusals import refusal_of
from rigs.emulated.stream import SampleStream
from rigs.link import Received, encode
from rigs.link.messages import (
    DEAD_MAN_S,
    ENERGISED_MAX_S,
    NO_SAMPLE,
    PROTOCOL_VERSION,
    STATUS_PERIOD_S,
    FaultCode,
    Inputs,
    LampCode,
    Outcome,
    Refusal,
    State,
)

NUMBERS: Final = 65_536  # of commands, before they wrap
COUNTED: Final = (Inputs.STOP_GOOD, Inputs.GUARD_CLOSED, Inputs.CLAMP_CLOSED)
OPENED: Final = ((Inputs.STOP_GOOD, FaultCode.STOP), (Inputs.CLAMP_CLOSED, FaultCode.CLAMP), (Inputs.GUARD_CLOSED, FaultCode.GUARD))


class Firmware:
    """One life of the firmware, from a start to the next. `send` takes whole frames; `now_s` is set by the rig before every call."""

    def __init__(self, plant: Plant, boot: int, now_s: float, send: Callable[[bytes], None]) -> None:
        self.plant = plant
        self.settings = plant.settings
        self.boot = boot
        self.now_s = now_s
        self.planned_until_s = now_s
        self.identity = IdentityLaw()
        self.handshake = False
        self.fault = FaultCode.NONE
        self.lamp = LampCode.OFF
        self.job: Job | None = None
        self.stream: SampleStream | None = None
        self._send = send
        self._newest: int | None = None
        self._answers: list[bytes] = []
        self._heartbeat = 0
        self._heartbeat_s = -math.inf
        self._energised_from_s = now_s
        self._status_s = now_s
        self._differs_s = math.inf
        self._seen = self._edges()
        self._last_state = (State.IDLE, False)

    # --- time

    @property
    def heartbeat_s(self) -> float:
        """When the last valid heartbeat came; minus infinity before the first."""
        return self._heartbeat_s

    @property
    def next_event_s(self) -> float:
        """The next instant at which the firmware has something to do by itself."""
        nearest = min(self._status_s, self._differs_s)
        if self.job is not None:
            nearest = min(nearest, self.job.due_s)
        if self.plant.torque:
            nearest = min(nearest, self._heartbeat_s + DEAD_MAN_S, self._energised_from_s + ENERGISED_MAX_S)
        if self.stream is not None:
            nearest = min(nearest, self.stream.next_block_s, self._forsaken_s())
        return max(nearest, self.now_s)

    def fire(self) -> None:
        """Do what is due now: safety first, then the command, the samples, the status."""
        self._watch_torque()
        if self._differs_s <= self.now_s:
            self._differs_s = math.inf
            self.latch(FaultCode.STOP_DISCREPANCY)
        while self.job is not None and self.job.due_s <= self.now_s:
            self._step(self.job)
        if self.stream is not None:
            if self.stream.next_block_s <= self.now_s:
                self.send_blocks(whole=True)
            if self._forsaken_s() <= self.now_s:
                self.end_stream("no heartbeat")
        if self._status_s <= self.now_s:
            self.plant.check_supply(self.now_s)
            self.send_status()

    def planned_s(self) -> float:
        """Until when no step of a command is due."""
        return self.job.due_s if self.job is not None else math.inf

    # --- what comes in

    def receive(self, message: Received) -> None:
        """One message from the host."""
        if message.name == "HELLO":
            self._hello(message.fields)
        elif message.name == "HEARTBEAT":
            if self.handshake:
                self._heartbeat, self._heartbeat_s = message.fields["counter"], self.now_s
        else:
            self._command(message.name, message.fields)
        self._tell_changes()

    def inputs_changed(self) -> None:
        """An input bit changed, or its counter did while nobody looked."""
        seen, self._seen = self._seen, self._edges()
        if self.plant.chain.discrepant:
            self._differs_s = min(self._differs_s, self.now_s + self.settings.timers.discrepancy_s)
        else:
            self._differs_s = math.inf
        for bit, fault in OPENED:
            if self._seen[bit] != seen[bit] and (fault is FaultCode.STOP or self._in_action()):
                self.latch(fault)
        if self._in_action() and Inputs.UNIT_POWER_GOOD not in self.plant.panel.bits():
            self.latch(FaultCode.SUPPLY)
        self.send_status()

    # --- commands

    def start_job(self, job: Job) -> None:
        """A command begins; one without steps is done at once."""
        self.job = job
        if job.motion:
            self._energised_from_s = self.now_s
        if not job.steps:
            self.end_job(Outcome.DONE)

    def end_job(self, outcome: Outcome) -> None:
        """The command in progress, if any, is over. Its samples are sent before its DONE."""
        job, self.job = self.job, None
        if job is None:
            return
        first, last = NO_SAMPLE, NO_SAMPLE
        if self.stream is not None:
            self.send_blocks()
            first, taken = job.first_sample, self.stream.before(self.now_s)
            last = taken - 1 if taken else NO_SAMPLE
        self.done(job.number, outcome, job.begin_s, first, last, job.value)

    def done(self, number: int, outcome: Outcome, begin_s: float, first: int = NO_SAMPLE, last: int = NO_SAMPLE, value: int = 0) -> None:
        """Say that a command is over, and remember it for the case that it is asked again."""
        clock = self.plant.clock
        answer = encode(
            "DONE",
            command=number,
            outcome=outcome,
            begin=clock.tick(begin_s),
            end=clock.tick(self.now_s),
            first_sample=first,
            last_sample=last,
            value=value,
        )
        if number == self._newest:
            self._answers.append(answer)
        self._send(answer)

    def latch(self, code: FaultCode, detail: int = 0) -> None:
        """A fault: torque off, finger home, command and stream over. The first stays latched; a disagreeing stop explains an open one."""
        self.plant.cut(self.now_s)
        self.plant.home(self.now_s)
        self.end_job(Outcome.FAULTED)
        self.end_stream(code.name)
        explains = code is FaultCode.STOP_DISCREPANCY and self.fault is FaultCode.STOP
        if self.fault is not FaultCode.NONE and not explains:
            return
        self.fault = code
        self.plant.log.add(self.now_s, "fault", fault=code.name, detail=detail)
        self._send(encode("FAULT", fault=code, tick=self.plant.clock.tick(self.now_s), detail=detail))
        self._tell_changes()

    def send_blocks(self, *, whole: bool = False) -> None:
        """Samples taken so far, in blocks."""
        if self.stream is not None:
            horizon_s = self.planned_until_s if whole else self.now_s
            for frame in self.stream.blocks(self.now_s, horizon_s):
                self._send(frame)

    def end_stream(self, why: str) -> None:
        """Send what is left and end the sample stream."""
        if self.stream is not None:
            self.send_blocks()
            self.plant.log.add(self.now_s, "stream", run=self.stream.run, on=False, why=why)
            self.stream = None

    def send_status(self) -> None:
        panel, clock = self.plant.panel, self.plant.clock
        self._status_s = self.now_s + STATUS_PERIOD_S
        self._last_state = (self.state, self.plant.torque)
        self._send(
            encode(
                "STATUS",
                tick=clock.tick(self.now_s),
                boot=self.boot,
                state=self.state,
                fault=self.fault,
                energised=int(self.plant.torque),
                inputs=panel.bits(),
                start_presses=panel.edges(Inputs.START_DOWN),
                guard_openings=panel.edges(Inputs.GUARD_CLOSED),
                stop_events=panel.edges(Inputs.STOP_GOOD),
                clamp_openings=panel.edges(Inputs.CLAMP_CLOSED),
                run=self.stream.run if self.stream else 0,
                samples=self.stream.taken(self.now_s) if self.stream else 0,
                heartbeat=self._heartbeat,
            )
        )

    @property
    def state(self) -> State:
        if self.fault is not FaultCode.NONE:
            return State.FAULT
        return State.MOVING if self.plant.torque or (self.job is not None and self.job.motion) else State.IDLE

    # --- inside

    def _edges(self) -> dict[Inputs, int]:
        return {bit: self.plant.panel.edges(bit) for bit in COUNTED}

    def _in_action(self) -> bool:
        return self.stream is not None or self.plant.torque or (self.job is not None and self.job.motion)

    def _forsaken_s(self) -> float:
        begun_s = self.plant.sampler.clock.begin_s
        return max(self._heartbeat_s, begun_s) + self.settings.timers.forsaken_s

    def _watch_torque(self) -> None:
        if not self.plant.torque:
            return
        if self._heartbeat_s + DEAD_MAN_S <= self.now_s:
            silent_s = min(self.now_s - self._heartbeat_s, 1e3)
            self.latch(FaultCode.DEAD_MAN, round(1000 * (silent_s - DEAD_MAN_S)))
        elif self._energised_from_s + ENERGISED_MAX_S <= self.now_s:
            self.latch(FaultCode.ENERGISED_TOO_LONG)

    def _step(self, job: Job) -> None:
        _, act = job.steps.popleft()
        act(self.now_s)
        if self.job is job and not job.steps:
            self.end_job(Outcome.DONE)
        self._tell_changes()

    def _tell_changes(self) -> None:
        if (self.state, self.plant.torque) != self._last_state:
            self.send_status()

    def _hello(self, fields: dict[str, Any]) -> None:
        self.end_job(Outcome.HALTED)
        self.plant.let_go(self.now_s)
        self.plant.home(self.now_s)
        self.end_stream("HELLO")
        self._newest, self._answers = None, []
        told, settings = self.identity, self.settings
        protocol = told.protocol or PROTOCOL_VERSION
        self.handshake = fields["protocol"] == protocol
        self._send(
            encode(
                "IDENTITY",
                protocol=protocol,
                nonce=fields["nonce"],
                rig_id=told.rig_id or settings.rig_id,
                firmware=told.firmware or settings.firmware,
                boot=self.boot,
                tick_hz=settings.tick_hz,
                sample_rate=settings.sample_rate_hz,
                bits=settings.bits,
                reference_uv=round(settings.reference_v * 1e6),
                emulated=1,
            )
        )

    def _command(self, name: str, fields: dict[str, Any]) -> None:
        number: int = fields["command"]
        if number == self._newest:
            for answer in self._answers:
                self._send(answer)
            return
        if self._newest is not None and (number - self._newest) % NUMBERS >= NUMBERS // 2:
            return
        refusal = refusal_of(self, name, fields)
        self.plant.log.add(self.now_s, "command" if refusal is Refusal.ACCEPTED else "refused", name=name, number=number, why=refusal.name)
        acknowledged = encode("ACK", command=number, refusal=refusal)
        self._newest, self._answers = number, [acknowledged]
        self._send(acknowledged)
        if refusal is Refusal.ACCEPTED:
            begin(self, name, fields)
