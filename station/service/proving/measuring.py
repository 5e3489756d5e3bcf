"""One clamped unit measured with a fixed number of flicks a group over the whole chain, and nothing kept that cannot be trusted."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final

from station.errors import NotReady, RestpointError, RigError
from station.measure.health import health_pushes
from station.ports import Clock, Lamp, LampColour, ReadSupply, Rig
from station.quantities import GROUPS
from station.records import Fitted, RigStatus, Score, TraceBlock, Verdict
from station.service.act import Announce, StickAct, act
from station.service.computing import computing
from station.service.evidence import Amiss, RunEvidence, SealedEvidence, seal
from station.service.judging import commanded_flicks, judge_stick, stick_evidence
from station.service.proving.course import ProofBench
from station.service.proving.measured import figures_of, kept, peaks_of, scatter_of
from station.service.trace import StickTrace
from station.specification import Specification

MISSED_MAX: Final = 2  # flicks of a group that were not seen, before the rest is left undone: the measurement is lost anyway


@dataclass(slots=True)
class FlickCount:
    """Of one group."""

    commanded: int = 0
    missed: int = 0


@dataclass(slots=True)
class FixedRounds:
    """So many flicks of every group, interleaved as in a run, whatever they show. Implements act.Rounds."""

    wanted: int
    groups: dict[str, FlickCount] = field(default_factory=lambda: {group: FlickCount() for group in GROUPS})
    rounds: int = 0

    def next_round(self) -> tuple[str, ...]:
        if self.rounds >= self.wanted or any(one.missed >= MISSED_MAX for one in self.groups.values()):
            return ()
        turn = self.rounds % len(GROUPS)
        self.rounds += 1
        return GROUPS[turn:] + GROUPS[:turn]

    def add(self, group: str, peak_counts: float | None) -> None:
        self.groups[group].commanded += 1
        self.groups[group].missed += peak_counts is None

    def progress(self) -> dict[str, dict[str, int]]:
        return {group: {"flicks": one.commanded, "missed": one.missed} for group, one in self.groups.items()}


class NoParts:
    """A procedure's samples are not kept: its step is done again."""

    def keep_part(self, run_number: int, block: TraceBlock) -> None:
        """Nothing."""


@dataclass(frozen=True, slots=True)
class Hands:
    """Implements act.Acting."""

    rig: Rig
    clock: Clock
    sink: NoParts
    announce: Announce


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to measure. flicks: of every group of every stick."""

    serial: str
    specification: Specification
    fitted: Mapping[str, Fitted]
    flicks: int


@dataclass(slots=True)
class _Gathered:
    """Supply in volts; times of the first and last reading by the clocks of rig and host, seconds."""

    sticks: list[StickAct] = field(default_factory=list)
    supply_v: list[float] = field(default_factory=list)
    rig_s: list[float] = field(default_factory=list)
    host_s: list[float] = field(default_factory=list)


def wanted_of(bench: ProofBench, serial: str, product: str, flicks: int) -> Wanted:
    """Raises NotReady when the product's specification is gone."""
    specification = bench.specification_of(product)
    if specification is None:
        raise NotReady(f"No specification for product {product!r} is loaded; expected one: load it, then start this step again.")
    return Wanted(serial, specification, bench.fitted(serial), flicks)


def measure_unit(bench: ProofBench, wanted: Wanted) -> dict[str, Any]:
    """Figures of the clamped unit, JSON-ready: `sticks` by stick, place and figure, `scatter` and `peaks` of the flicks, `evidence`.

    The finger moves. Raises RigError, NotReady naming what makes the measurement untrustworthy.
    """
    bench.rig.carry_out(Lamp(LampColour.BUSY))
    try:
        found = _measured(bench, wanted)
    except RestpointError:
        bench.rig.halt()
        with suppress(RigError):
            bench.rig.carry_out(Lamp(LampColour.ATTENTION))
        raise
    bench.rig.carry_out(Lamp(LampColour.OFF))
    return found


def _measured(bench: ProofBench, wanted: Wanted) -> dict[str, Any]:
    gathered = _Gathered()
    before = bench.rig.poll(0.0)
    _read_supply(bench, gathered)
    for index, stick in enumerate(wanted.specification.stick.names):
        gathered.sticks.append(_flick_stick(bench, wanted, index, stick, gathered.supply_v[0]))
    _read_supply(bench, gathered)
    evidence = _evidence(bench, wanted, gathered, before, bench.rig.poll(0.0))
    _require(evidence, wanted, gathered)
    supply_v = sum(gathered.supply_v) / len(gathered.supply_v)
    found: dict[str, Any] = {"sticks": {}, "scatter": {}, "peaks": {}}
    for act_ in gathered.sticks:
        score = _score(act_, wanted)
        with computing(act_.trace.stick):
            pushes = health_pushes(act_.trace.recording(), wanted.specification)
            found["sticks"][act_.trace.stick] = figures_of(score, pushes, act_.fitted, supply_v)
            found["scatter"][act_.trace.stick] = scatter_of(score, pushes, act_.fitted)
            found["peaks"][act_.trace.stick] = peaks_of(score)
    return {
        "serial": wanted.serial,
        "specification": wanted.specification.label,
        "flicks": wanted.flicks,
        "moved": commanded_flicks(gathered.sticks),
        "supply_v": kept(supply_v),
        **found,
        "evidence": evidence.document(),
    }


def _flick_stick(bench: ProofBench, wanted: Wanted, index: int, stick: str, supply_v: float) -> StickAct:
    def announce(kind: str, data: Mapping[str, Any]) -> None:
        if kind == "round":
            done = min(one["flicks"] for one in data["progress"].values())
            bench.say(f"Unit {wanted.serial}, stick {stick}: {done} of {wanted.flicks} rounds of flicks.")

    acted = StickAct(StickTrace(stick, bench.identity, supply_v), FixedRounds(wanted.flicks), wanted.fitted.get(stick, Fitted()), {})
    act(Hands(bench.rig, bench.clock, NoParts(), announce), bench.stream, index, acted, wanted.specification, _never)
    return acted


def _never(_stick: StickAct) -> bool:
    """A measurement is made whole: no verdict ends it."""
    return False


def _read_supply(bench: ProofBench, gathered: _Gathered) -> None:
    read = bench.rig.carry_out(ReadSupply())
    gathered.supply_v.append(read.value)
    gathered.rig_s.append(read.end_s)
    gathered.host_s.append(bench.clock.monotonic_s())


def _evidence(bench: ProofBench, wanted: Wanted, gathered: _Gathered, before: RigStatus, after: RigStatus) -> RunEvidence:
    return RunEvidence(
        sticks=tuple(stick_evidence(one) for one in gathered.sticks),
        identity_before=bench.identity,
        boot_after=after.boot,
        inputs_before=before.inputs,
        inputs_after=after.inputs,
        fault_after=after.fault,
        supply_nominal_v=wanted.specification.host.supply_v,
        supply_before_v=gathered.supply_v[0],
        supply_after_v=gathered.supply_v[-1],
        rig_seconds=gathered.rig_s[-1] - gathered.rig_s[0],
        host_seconds=gathered.host_s[-1] - gathered.host_s[0],
        specification_digest=wanted.specification.digest,
        calibration="",
    )


def _require(evidence: RunEvidence, wanted: Wanted, gathered: _Gathered) -> None:
    """As of a run, but for the calibration: a procedure is what proves the rig, and needs no proof before. Raises NotReady."""
    sealed = seal(evidence)
    amiss = () if isinstance(sealed, SealedEvidence) else tuple(one.sentence for one in sealed if one.reason != "rig-calibration")
    unseen = [
        f"{one.trace.stick} {group} ({count.commanded - count.missed} of {wanted.flicks} seen)"
        for one in gathered.sticks
        for group, count in one.schedule.groups.items()
        if count.missed or count.commanded != wanted.flicks
    ]
    if unseen:
        amiss = (*amiss, f"Flicks of unit {wanted.serial} were not seen: {', '.join(unseen)}; a unit with a dead axis cannot be used here.")
    if amiss:
        raise NotReady(f"The measurement is not kept: {' '.join(amiss)}")


def _score(stick: StickAct, wanted: Wanted) -> Score:
    """Raises NotReady for a recording that cannot be trusted, or in which flicks answered on another group than was ordered."""
    judged = judge_stick(stick, wanted.specification)
    if isinstance(judged, Amiss):
        raise NotReady(f"The measurement is not kept: {judged.sentence}")
    if judged.verdict is Verdict.INVALID:
        raise NotReady(f"The measurement is not kept: {' '.join(judged.figures['explanation'])}")
    counts = {group: int((judged.flicks.group == index).sum()) for index, group in enumerate(GROUPS)}
    off = [f"{group} answered {count} times" for group, count in counts.items() if count != wanted.flicks]
    if off:
        raise NotReady(
            f"The measurement is not kept: stick {stick.trace.stick}: {', '.join(off)}; expected {wanted.flicks} flicks of every group."
        )
    return judged
