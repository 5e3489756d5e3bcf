"""Act: one stick of a run on the metal. Rest, warm-up, rounds of flicks, samples kept as they come. Judges nothing."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from station.errors import LinkBad, NotReady
from station.ports import Clock, Done, Flick, ResultSink, Rig, Sample
from station.quantities import GROUPS
from station.records import Fitted, TraceBlock
from station.service.computing import computing
from station.service.live import LiveMeter, json_ready
from station.service.trace import StickTrace
from station.specification import Specification

REST_S = 0.35  # quiet lead of every recording: 0.2 s is asked of files, the rest lets the clamp's knock die away
LOOK_ROUNDS = (8, 16, 32)  # after these rounds a unit that fails for another reason than its peaks is let go; decision record 7
UNIT_LEVELS = (0.1, 0.9)  # share of the supply a resting stick lies within; an open or empty socket does not

Announce = Callable[[str, Mapping[str, Any]], None]


class Counted(Protocol):
    """Flicks of a group: how many were ordered, and how many of these were not seen in the signal."""

    @property
    def commanded(self) -> int: ...

    @property
    def missed(self) -> int: ...


class Rounds(Protocol):
    """Which groups to flick next: a plan that watches the peaks (schedule.Schedule), or a fixed number (proving.measuring)."""

    @property
    def groups(self) -> Mapping[str, Counted]: ...

    def next_round(self) -> tuple[str, ...]:
        """Groups to flick now, in order; empty when all is done."""
        ...

    def add(self, group: str, peak_counts: float | None) -> None:
        """Enter a flick's peak; None when the commanded flick was not seen."""
        ...

    def progress(self) -> Mapping[str, Mapping[str, Any]]:
        """JSON-ready."""
        ...


class PartSink(Protocol):
    """Keeps what came of a round."""

    def keep_part(self, run_number: int, block: TraceBlock) -> None: ...


class Acting(Protocol):
    """The hands of acting on one stick."""

    @property
    def rig(self) -> Rig: ...

    @property
    def clock(self) -> Clock: ...

    @property
    def sink(self) -> PartSink: ...

    @property
    def announce(self) -> Announce: ...


@dataclass(slots=True)
class StickAct:
    """What acting on one stick left behind. warm_up: flicks before the sampled ones, which are thrown away."""

    trace: StickTrace
    schedule: Rounds
    fitted: Fitted
    modes: Mapping[str, str]
    samples_expected: int = 0
    motion_s: float = 0.0
    settling_s: float = 0.0
    warm_up: int = 0
    seen: dict[str, int] = field(default_factory=lambda: dict.fromkeys(GROUPS, 0))


@dataclass(frozen=True, slots=True)
class Bench:
    """The hands of a run: what acting needs from outside."""

    rig: Rig
    clock: Clock
    sink: ResultSink
    announce: Announce


def act(
    bench: Acting, run_number: int, index: int, stick: StickAct, specification: Specification, clear: Callable[[StickAct], bool]
) -> None:
    """Flick stick number `index` until its schedule is done or `clear` says that the verdict is, filling `stick` as it goes.

    Raises RigError, NotReady, StoreError.
    """
    _warm_up(bench, run_number, index, stick, specification)
    bench.rig.carry_out(Sample(run_number, True, index))
    _wait(bench, REST_S)
    stick.settling_s += REST_S
    stick.trace.add(bench.rig.take_samples())
    _require_unit(stick.trace)
    with computing(stick.trace.stick):
        meter = LiveMeter(specification, stick.trace, stick.fitted)
    rounds = 0
    while (wanted := stick.schedule.next_round()) and not (rounds in LOOK_ROUNDS and clear(stick)):
        rounds += 1
        for group in wanted:
            _flick(bench, run_number, index, group, stick, specification, meter)
        bench.sink.keep_part(run_number, stick.trace.new_part())
        bench.announce("round", {"run": run_number, "stick": stick.trace.stick, "progress": stick.schedule.progress()})
    ended = bench.rig.carry_out(Sample(run_number, False, index))
    stick.trace.add(bench.rig.take_samples())
    stick.samples_expected = ended.last_sample + 1


def _warm_up(bench: Acting, run_number: int, index: int, stick: StickAct, specification: Specification) -> None:
    """Flicks that loosen stick and finger; sampled, since a rig flicks only while sampling, and thrown away."""
    count = specification.decision.warm_up_flicks
    if count == 0:
        return
    bench.rig.carry_out(Sample(run_number, True, index))
    for number in range(count * len(GROUPS)):
        done = bench.rig.carry_out(_command(run_number, index, GROUPS[number % len(GROUPS)], specification))
        stick.motion_s += done.end_s - done.begin_s
        stick.warm_up += 1
        bench.rig.take_samples()
    bench.rig.carry_out(Sample(run_number, False, index))
    bench.rig.take_samples()


def _wait(bench: Acting, seconds: float) -> None:
    until_s = bench.clock.monotonic_s() + seconds
    while (left_s := until_s - bench.clock.monotonic_s()) > 0:
        bench.rig.poll(min(left_s, 0.02))


def _require_unit(trace: StickTrace) -> None:
    x_v, y_v = trace.volts(0)
    if len(x_v) == 0:
        raise NotReady("The rig sends no samples: check the sampler.", fault="OVERRUN")
    levels = [float(np.median(level_v)) / trace.supply_v for level_v in (x_v, y_v)]
    if all(not UNIT_LEVELS[0] <= level <= UNIT_LEVELS[1] for level in levels):
        shown = " and ".join(f"{level:.0%}" for level in levels)
        raise NotReady(f"No unit on the probes: both axes lie at {shown} of the supply; expected about 50 %.")


def _command(run_number: int, index: int, group: str, specification: Specification) -> Flick:
    return Flick(run_number, group, specification.flick.hold_s, specification.flick.free_s, index)


def _flick(bench: Acting, run_number: int, index: int, group: str, stick: StickAct, specification: Specification, meter: LiveMeter) -> None:
    done: Done = bench.rig.carry_out(_command(run_number, index, group, specification))
    stick.motion_s += done.end_s - done.begin_s
    stick.trace.note_flick(group, done.first_sample)
    stick.trace.add(bench.rig.take_samples())
    if not stick.trace.contiguous:
        raise LinkBad(f"Stick {stick.trace.stick}: samples are missing after number {len(stick.trace)}; check the rig's cable.")
    with computing(stick.trace.stick):
        figures = meter.flick(group, done.first_sample)
    stick.schedule.add(group, figures["peak_counts"] if figures else None)
    stick.seen[group] += figures is not None
    shown = {"run": run_number, "stick": stick.trace.stick, "group": group, "number": stick.schedule.groups[group].commanded}
    view = meter.view(group, done.first_sample, figures["t_release_s"]) if figures else None
    bench.announce("flick", {**shown, "figures": json_ready(figures), "trace": view, "progress": stick.schedule.progress()})
