"""How the firmware carries out each command: what happens at once, and the steps that follow at their own instants."""

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from rigs.emulated.stream import SampleStream
from rigs.link.messages import NO_SAMPLE, FaultCode, Group, LampCode, Outcome, Reference

if TYPE_CHECKING:
    from rigs.emulated.firmware import Firmware

Fields = Mapping[str, Any]
Step = tuple[float, Callable[[float], None]]


@dataclass(slots=True)
class Job:
    """A command that takes time. steps: (instant, what to do), in order; after the last the command is done."""

    number: int
    begin_s: float
    motion: bool
    first_sample: int
    steps: deque[Step] = field(default_factory=deque)
    value: int = 0

    @property
    def due_s(self) -> float:
        """When the next step is due; infinity while the last one is being done."""
        return self.steps[0][0] if self.steps else math.inf


def begin(firmware: "Firmware", name: str, fields: Fields) -> None:
    """Carry out an accepted command, or begin to."""
    BEGIN[name](firmware, fields)


def _flick(firmware: "Firmware", fields: Fields) -> None:
    plant, now_s = firmware.plant, firmware.now_s
    timing, shape, group = firmware.settings.timing, firmware.settings.shape, Group(fields["group"])
    let_go_s = now_s + timing.push_s + fields["hold_ms"] / 1000.0
    clear_s = let_go_s + timing.slip_s
    back_s = clear_s + fields["free_ms"] / 1000.0
    steps: list[Step] = [
        (let_go_s, lambda at_s: _order(firmware, at_s, group, shape.clear_deg)),
        (clear_s, plant.let_go),
        (back_s, plant.home),
        (back_s + timing.return_s, lambda at_s: None),
    ]
    firmware.start_job(_job(firmware, fields, steps, motion=True))
    plant.log.add(now_s, "flick", run=fields["run"], group=int(group), serial=plant.unit.serial if plant.unit else "")
    plant.energise(now_s)
    plant.order(now_s, group, shape.hold_deg)


def _order(firmware: "Firmware", at_s: float, group: Group, angle_deg: float) -> None:
    firmware.plant.order(at_s, group, angle_deg)


def _jog(firmware: "Firmware", fields: Fields) -> None:
    plant, now_s, group = firmware.plant, firmware.now_s, Group(fields["group"])
    firmware.plant.select(now_s, fields["stick"])
    plant.energise(now_s)
    move = plant.order(now_s, group, fields["angle"] / 10.0, fields["speed"] / 10.0)

    def arrive(at_s: float) -> None:
        if fields["angle"] == 0:
            plant.let_go(at_s)

    firmware.start_job(_job(firmware, fields, [(max(now_s, move.end_s), arrive)], motion=True))


def _sample(firmware: "Firmware", fields: Fields) -> None:
    plant, now_s = firmware.plant, firmware.now_s
    if not fields["on"]:
        first, last = NO_SAMPLE, NO_SAMPLE
        if firmware.stream is not None:
            firmware.send_blocks()
            if firmware.stream.sent:
                first, last = 0, firmware.stream.sent - 1
            firmware.end_stream("host")
        firmware.done(fields["command"], Outcome.DONE, now_s, first, last)
        return
    firmware.end_stream("another began")
    plant.select(now_s, fields["stick"])
    plant.sampler.begin(now_s, plant.clock.law)
    firmware.stream = SampleStream(fields["run"], fields["stick"], plant.sampler, plant.clock)
    plant.log.add(now_s, "stream", run=fields["run"], on=True)
    firmware.done(fields["command"], Outcome.DONE, now_s, 0, 0)


def _unclamp(firmware: "Firmware", fields: Fields) -> None:
    plant = firmware.plant
    steps: list[Step] = []
    if plant.panel.clamp_closed:
        steps.append((firmware.now_s + firmware.settings.timing.unclamp_s, plant.unclamp))
    firmware.start_job(_job(firmware, fields, steps, motion=False))


def _read_level(firmware: "Firmware", fields: Fields) -> None:
    job = _job(firmware, fields, [], motion=False)

    def read(at_s: float) -> None:
        job.value = firmware.plant.read_level_uv(at_s, Reference(fields["what"]))

    job.steps.append((firmware.now_s + firmware.settings.timing.read_s, read))
    firmware.start_job(job)


def _lamp(firmware: "Firmware", fields: Fields) -> None:
    firmware.lamp = LampCode(fields["lamp"])
    firmware.done(fields["command"], Outcome.DONE, firmware.now_s)


def _rest(firmware: "Firmware", fields: Fields) -> None:
    plant, now_s = firmware.plant, firmware.now_s
    firmware.end_job(Outcome.HALTED)
    plant.let_go(now_s)
    plant.home(now_s)

    def home(at_s: float) -> None:
        if not plant.at_rest(at_s):
            firmware.end_job(Outcome.FAULTED)

    steps: list[Step] = [] if plant.at_rest(now_s) else [(now_s + firmware.settings.timing.return_s, home)]
    firmware.start_job(_job(firmware, fields, steps, motion=False))


def _reset(firmware: "Firmware", fields: Fields) -> None:
    firmware.plant.chain.arm()
    firmware.plant.log.add(firmware.now_s, "reset", fault=firmware.fault.name)
    firmware.fault = FaultCode.NONE
    firmware.done(fields["command"], Outcome.DONE, firmware.now_s)


def _job(firmware: "Firmware", fields: Fields, steps: list[Step], *, motion: bool) -> Job:
    first = firmware.stream.before(firmware.now_s) if firmware.stream is not None else NO_SAMPLE
    return Job(fields["command"], firmware.now_s, motion, first, deque(steps))


BEGIN: Final[dict[str, Callable[["Firmware", Fields], None]]] = {
    "SAMPLE": _sample,
    "FLICK": _flick,
    "JOG": _jog,
    "UNCLAMP": _unclamp,
    "READ_LEVEL": _read_level,
    "LAMP": _lamp,
    "REST": _rest,
    "RESET": _reset,
}
