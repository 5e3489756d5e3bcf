"""The run: plan, act, judge, record. The run's beginning is committed before anything moves; the finger goes to rest in `finally`."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from station.errors import NotReady, RigError, ScorerFailed, StoreError
from station.judge.monitor import audited_groups
from station.judge.plan import plan_for
from station.ports import Lamp, LampColour, ReadSupply, Sample
from station.quantities import GROUPS
from station.records import Fitted, RigIdentity, RigInputs, RigStatus, RunClosing, RunOpening, Score, UnitIdentity, Verdict
from station.service.act import Bench, StickAct, act
from station.service.evidence import Amiss, RunEvidence, SealedEvidence, conclude, seal
from station.service.judging import commanded_flicks, judge_stick, rig_health, stick_evidence
from station.service.schedule import Schedule
from station.service.trace import StickTrace
from station.service.troubles import reason_of
from station.service.watchman import Watchman
from station.specification import Specification


@dataclass(frozen=True, slots=True)
class Proven:
    """How the rig is proven as a run begins. problem: why its calibration does not hold, "" when it does.

    guard_band_from: a sentence: the study the guard band is made of, or that it is the specification's.
    """

    calibration: str = ""
    problem: str = ""
    valid_until: datetime | None = None
    guard_band_counts: float = 0.0
    guard_band_from: str = ""

    def problem_at(self, now: datetime) -> str:
        """The same at the run's end."""
        if not self.problem and self.valid_until is not None and now > self.valid_until:
            return f"Calibration {self.calibration} ran out during the run."
        return self.problem


@dataclass(frozen=True, slots=True)
class RunOrder:
    """Everything a run rests on, fixed before it begins; later edits of a specification do not touch it."""

    station: str
    rig_name: str
    identity: RigIdentity
    inputs: RigInputs
    unit: UnitIdentity
    operator: str
    specification: Specification
    fitted: Mapping[str, Fitted]
    software: str
    mode: str
    continues: int = 0
    carried: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    proven: Proven = field(default_factory=Proven)

    @property
    def judged_by(self) -> Specification:
        """The specification with the guard band that the rig's own uncertainty asks for."""
        return self.specification.with_guard_band(self.proven.guard_band_counts)


@dataclass(slots=True)
class _Progress:
    """What a run has gathered so far; whatever ends it, this is kept."""

    sticks: dict[str, StickAct]
    supply_before_v: float = float("nan")
    supply_after_v: float = float("nan")
    rig_begin_s: float = 0.0
    rig_end_s: float = 0.0
    host_begin_s: float = 0.0
    host_end_s: float = 0.0
    status_after: RigStatus | None = None
    amiss: tuple[Amiss, ...] = ()


class Run:
    """One run of one unit. `perform` returns the closing that was (or is to be) recorded."""

    def __init__(self, bench: Bench, order: RunOrder, watchman: Watchman) -> None:
        self.number = 0
        self._watchman = watchman
        self._bench = bench
        self._order = order
        self._gathered = _Progress({})
        self._began_s = bench.clock.monotonic_s()

    def perform(self) -> RunClosing:
        """The whole run. Raises StoreError when even its beginning cannot be recorded: then nothing has moved."""
        self.number = self._bench.sink.open_run(self._opening())
        self._announce("run-started", {"unit": self._order.unit.serial, "specification": self._order.specification.label})
        try:
            self._act()
        except (RigError, NotReady, ScorerFailed, StoreError) as trouble:
            self._gathered.amiss = (Amiss(reason_of(trouble), f"{str(trouble).rstrip('.')}."),)
        finally:
            self._bench.rig.halt()
        if self._gathered.amiss:
            self._end_samples()
        return self._closing()

    def _end_samples(self) -> None:
        """A run that ended badly leaves the stream on; a rig that is gone has ended it itself."""
        index = max(len(self._gathered.sticks) - 1, 0)
        with suppress(RigError):
            self._bench.rig.carry_out(Sample(self.number, False, index))
            self._bench.rig.take_samples()

    def _opening(self) -> RunOpening:
        order = self._order
        return RunOpening(
            station=order.station,
            rig=order.identity,
            rig_name=order.rig_name,
            unit=order.unit,
            specification=order.specification.label,
            specification_digest=order.specification.digest,
            fitted=order.fitted,
            calibration=order.proven.calibration,
            software=order.software,
            operator=order.operator,
            started_at=self._bench.clock.utc(),
        )

    def _act(self) -> None:
        rig, gathered, specification = self._bench.rig, self._gathered, self._order.specification
        rig.carry_out(Lamp(LampColour.BUSY))
        before = rig.carry_out(ReadSupply())
        gathered.supply_before_v = before.value
        gathered.rig_begin_s, gathered.host_begin_s = before.end_s, self._bench.clock.monotonic_s()
        for index, name in enumerate(specification.stick.names):
            modes = self._modes(name)
            stick = StickAct(StickTrace(name, self._order.identity, before.value), self._schedule(name, modes), self._fitted(name), modes)
            gathered.sticks[name] = stick
            act(self._bench, self.number, index, stick, specification, self._clear)
        after = rig.carry_out(ReadSupply())
        gathered.supply_after_v = after.value
        gathered.rig_end_s, gathered.host_end_s = after.end_s, self._bench.clock.monotonic_s()
        gathered.status_after = rig.poll(0.0)

    def _clear(self, stick: StickAct) -> bool:
        """Whether what is there already fails the unit, or cannot be trusted: more flicks would change nothing."""
        judged = judge_stick(stick, self._order.judged_by)
        return isinstance(judged, Amiss) or judged.verdict in (Verdict.FAIL, Verdict.INVALID)

    def _fitted(self, stick: str) -> Fitted:
        return self._order.fitted.get(stick, Fitted())

    def _modes(self, stick: str) -> dict[str, str]:
        """Decision mode by group: count for audited groups, else the order's."""
        audited = audited_groups(f"{self._order.station}/{self.number}/{stick}", self._order.specification.decision.audit_share)
        return {group: "count" if group in audited else self._order.mode for group in GROUPS}

    def _schedule(self, stick: str, modes: Mapping[str, str]) -> Schedule:
        decision = self._order.specification.decision
        plans = {group: plan_for(decision, modes[group]) for group in GROUPS}
        zone = self._order.specification.host.neutral_zone_counts
        return Schedule(plans, zone, self._order.proven.guard_band_counts, decision.flicks_max, self._order.carried.get(stick, ()))

    def _closing(self) -> RunClosing:
        scores, findings = self._scores()
        evidence = self._evidence()
        sealed = findings or seal(evidence)
        if isinstance(sealed, SealedEvidence):
            verdict, reasons = conclude(sealed, scores)
            explanation = ""
        else:
            verdict, reasons = Verdict.INVALID, tuple(dict.fromkeys(one.reason for one in sealed))
            explanation = " ".join(one.sentence for one in sealed)
        return RunClosing(
            verdict=verdict,
            reasons=reasons,
            explanation=explanation,
            scores=scores,
            traces={name: stick.trace.block() for name, stick in self._gathered.sticks.items()},
            evidence=evidence.document(),
            timing=self._timing(),
            ended_at=self._bench.clock.utc(),
            monitor=None if verdict is Verdict.INVALID else self._watchman.take(self._order.specification, scores),
            flicks=commanded_flicks(self._gathered.sticks.values()),
            health=rig_health(self._gathered.sticks.values(), self._order.specification),
        )

    def _scores(self) -> tuple[dict[str, Score], tuple[Amiss, ...]]:
        scores: dict[str, Score] = {}
        amiss = list(self._gathered.amiss)
        for name, stick in self._gathered.sticks.items():
            judged = judge_stick(stick, self._order.judged_by)
            if isinstance(judged, Amiss):
                amiss.append(judged)
            else:
                scores[name] = judged
        return scores, tuple(amiss)

    def _evidence(self) -> RunEvidence:
        order, gathered = self._order, self._gathered
        status = gathered.status_after
        return RunEvidence(
            sticks=tuple(stick_evidence(stick) for stick in gathered.sticks.values()),
            identity_before=order.identity,
            boot_after=status.boot if status else 0,
            inputs_before=order.inputs,
            inputs_after=status.inputs if status else order.inputs,
            fault_after=status.fault if status else "no word from the rig",
            supply_nominal_v=order.specification.host.supply_v,
            supply_before_v=gathered.supply_before_v,
            supply_after_v=gathered.supply_after_v,
            rig_seconds=gathered.rig_end_s - gathered.rig_begin_s,
            host_seconds=gathered.host_end_s - gathered.host_begin_s,
            specification_digest=order.specification.digest,
            calibration=order.proven.calibration,
            calibration_problem=order.proven.problem_at(self._bench.clock.utc()),
            guard_band_counts=order.proven.guard_band_counts,
            guard_band_from=order.proven.guard_band_from,
            continues=order.continues,
            carried=order.carried,
        )

    def _timing(self) -> dict[str, float]:
        wall_s = self._bench.clock.monotonic_s() - self._began_s
        sticks = self._gathered.sticks.values()
        return {"wall_s": wall_s, "motion_s": sum(one.motion_s for one in sticks), "settling_s": sum(one.settling_s for one in sticks)}

    def _announce(self, kind: str, data: Mapping[str, Any]) -> None:
        self._bench.announce(kind, {"run": self.number, **data})
