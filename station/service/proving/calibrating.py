"""Calibration of a rig's actuator, sampler and clock as a course: what the person does, how each step is carried out, what comes of it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from station.errors import NotReady, UsageError
from station.proof import Calibration, Procedure, Step
from station.prove.calibration import calibration_from
from station.prove.calibration_limits import CalibrationLimits
from station.quantities import GROUPS
from station.records import RigIdentity
from station.service.proving.calibrating_flicks import flicks
from station.service.proving.calibrating_sampler import clocks, levels, supply_v
from station.service.proving.calibrating_steps import steps_of
from station.service.proving.calibrating_sweep import Sweeper
from station.service.proving.course import Concluding, ProofBench
from station.specification import Specification


@dataclass(frozen=True, slots=True)
class _Key:
    """One key of the plan. whole: only whole numbers."""

    default: float
    least: float
    most: float
    whole: bool = True

    @property
    def expected(self) -> str:
        return f"a {'whole ' if self.whole else ''}number from {self.least:g} to {self.most:g}"


PLAN: Final = {
    "flicks": _Key(30, 24, 200),  # of each direction; 30 tell a standard deviation to 13 %, 24 the correlation of successive ones
    "sweeps": _Key(5, 3, 10),  # of each direction; their steps are shifted against each other by tenths of a degree
    "stick": _Key(0, 0, 7),  # index of the stick in the clamp
    "hold_s": _Key(0.06, 0.03, 0.2, whole=False),  # as a run flicks; limits of the rig link
    "free_s": _Key(0.15, 0.06, 0.3, whole=False),  # the far-side peak must be over
}


class CalibrationCourse:
    """Implements station.service.proving.course.Course."""

    def __init__(self, limits: CalibrationLimits | None = None) -> None:
        self._limits = limits or CalibrationLimits()

    def plan(
        self, asked: Mapping[str, Any], identity: RigIdentity, specification_of: Callable[[str], Specification | None]
    ) -> dict[str, Any]:
        """What is asked, by the keys of PLAN, and what of the rig's own figures the document is read with. Raises UsageError."""
        unknown = sorted(set(asked) - set(PLAN))
        if unknown:
            raise UsageError(f"calibration: {unknown[0]} is {asked[unknown[0]]!r}; expected one of the keys {', '.join(PLAN)}")
        plan = {name: _value(name, key, asked.get(name, key.default)) for name, key in PLAN.items()}
        return {**plan, "reference_v": identity.reference_v, "sample_rate_hz": identity.sample_rate_hz, "bits": identity.bits}

    def steps(self, plan: Mapping[str, Any]) -> tuple[Step, ...]:
        return steps_of(plan)

    def perform(self, bench: ProofBench, procedure: Procedure, step: Step) -> Mapping[str, Any]:
        """Raises RigError, NotReady."""
        plan = procedure.opening.plan
        _require_ready(bench)
        what, _, group = step.name.partition(" ")
        if what == "prepare":
            return prepared(bench)
        if what == "sampler":
            return levels(bench)
        if what == "clock":
            return clocks(bench, int(plan["stick"]))
        if group not in GROUPS:
            raise UsageError(f"calibration has no step {step.name!r}; expected one of {', '.join(one.name for one in self.steps(plan))}")
        if what == "sweep":
            return Sweeper(bench, group, int(plan["stick"])).perform(int(plan["sweeps"]))
        return flicks(bench, group, plan)

    def conclude(self, procedure: Procedure, around: Concluding) -> Calibration:
        """Raises UsageError."""
        return calibration_from(procedure, self._limits, around.at)


def prepared(bench: ProofBench) -> dict[str, Any]:
    """What the rig says of itself, and the unit's supply: a unit is there and nothing stands against movement. Nothing moves."""
    one = bench.identity
    bench.say(f"Rig {one.rig_id}, firmware {one.firmware}{', emulated' if one.emulated else ''}")
    return {
        "rig_id": one.rig_id,
        "firmware": one.firmware,
        "protocol": one.protocol,
        "emulated": one.emulated,
        "sample_rate_hz": one.sample_rate_hz,
        "bits": one.bits,
        "reference_v": one.reference_v,
        "tick_hz": one.tick_hz,
        "supply_v": [supply_v(bench)],
    }


def _require_ready(bench: ProofBench) -> None:
    """Raises NotReady naming everything that stands against a step, also against one in which nothing moves: it samples the unit."""
    status = bench.rig.poll(0.0)
    inputs = status.inputs
    wanting = [
        (status.fault != "", f"The rig has latched fault {status.fault}: remove its cause and reset it."),
        (not inputs.stop_good, "The emergency stop is open: see why, then release it."),
        (not inputs.clamp_closed, "The clamp is open: clamp a good unit."),
        (not inputs.guard_closed, "The guard is open: close it."),
    ]
    missing = [sentence for wants, sentence in wanting if wants]
    if missing:
        raise NotReady(" ".join(missing))


def _value(name: str, key: _Key, value: object) -> float:
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and key.least <= value <= key.most
    if not good or not isinstance(value, (int, float)) or (key.whole and value != int(value)):
        raise UsageError(f"calibration: {name} is {value!r}; expected {key.expected}")
    return int(value) if key.whole else float(value)
