"""One group under the plan, flick by flick: constant work per flick, the same answer as the plan gives to all peaks at once."""

from dataclasses import dataclass
from math import isfinite, sqrt
from typing import TYPE_CHECKING, TypedDict

from station.errors import UsageError
from station.judge.count_plan import CountPlan
from station.judge.gate import margin_sd
from station.judge.normal_plan import NormalPlan
from station.records import Verdict

if TYPE_CHECKING:
    from station.judge.plan import Plan


class Look(TypedDict):
    """A flick at which the group could be decided. statistic: (limit - mean) / sd, bound: what it had to reach; None where not asked."""

    flick: int
    exceedances: int
    statistic: float | None
    bound: float | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the plan says of a group so far.

    accepted_by: "gate at flick 11", "count, 201 flicks" or "normal model at flick 7"; "" when not accepted. rejected_by likewise.
    exceedances: among the flicks used. path: every look, JSON-ready. still_wanted: most flicks that may yet be asked for, 0 when the
    decision is made or flicks_max is reached.
    """

    verdict: Verdict
    flicks_used: int
    accepted_by: str
    rejected_by: str
    exceedances: int
    path: tuple[Look, ...]
    still_wanted: int

    @property
    def final(self) -> bool:
        """True when no further flick can change the verdict."""
        return self.still_wanted == 0


class Watch:
    """Peaks of one group as they come. `add` costs the same at every flick; flicks after the decision are not used."""

    def __init__(self, plan: "Plan", limit_counts: float, guard_band_counts: float = 0.0) -> None:
        self._plan = plan
        self._limit, self._guarded_limit = limit_counts, limit_counts - guard_band_counts
        self._flicks = self._exceedances = 0
        self._mean = self._squares = 0.0
        self._verdict, self._accepted_by, self._rejected_by = Verdict.UNDECIDED, "", ""
        self._path: list[Look] = []

    @property
    def final(self) -> bool:
        return self._verdict is not Verdict.UNDECIDED or self._flicks >= self._plan.last

    def add(self, peak_counts: float) -> None:
        """One more peak, in counts. Raises UsageError when it is not a finite number: a missed flick is never a pass."""
        if self.final:
            return
        if not isfinite(peak_counts):
            raise UsageError(f"peak of flick {self._flicks + 1} is {peak_counts}; expected a number of counts")
        self._flicks += 1
        step = peak_counts - self._mean
        self._mean += step / self._flicks
        self._squares += step * (peak_counts - self._mean)
        exceeds = peak_counts > self._limit
        self._exceedances += exceeds
        if self._plan.count is not None:
            self._judge_by_count(self._plan.count, exceeds)
        elif self._plan.normal is not None:
            self._judge_by_model(self._plan.normal)

    def outcome(self) -> Outcome:
        return Outcome(
            verdict=self._verdict,
            flicks_used=self._flicks,
            accepted_by=self._accepted_by,
            rejected_by=self._rejected_by,
            exceedances=self._exceedances,
            path=tuple(self._path),
            still_wanted=0 if self.final else self._plan.last - self._flicks,
        )

    def _judge_by_count(self, count: CountPlan, exceeds: bool) -> None:
        gate, flicks = self._plan.gate, self._flicks
        if count.rejects(flicks, self._exceedances):
            self._reject(f"{_exceedances(self._exceedances)} by flick {flicks}")
        elif gate is not None and self._exceedances == 0 and gate.first <= flicks <= gate.last:
            self._look_at_gate(gate.passes(flicks, self._mean, self._sd(), self._guarded_limit), gate.bound(flicks))
        elif count.accepts(flicks, self._exceedances):
            self._accept(f"count, {flicks} flicks")
        elif exceeds or flicks == self._plan.last:
            self._note(None, None)

    def _look_at_gate(self, passes: bool, bound: float) -> None:
        margin = margin_sd(self._mean, self._sd(), self._guarded_limit)
        self._note(margin if isfinite(margin) else None, bound)
        if passes:
            self._verdict, self._accepted_by = Verdict.PASS, f"gate at flick {self._flicks}"

    def _judge_by_model(self, model: NormalPlan) -> None:
        if self._flicks < 2:
            return
        guarded = margin_sd(self._mean, self._sd(), self._guarded_limit)
        bound = model.bound(self._flicks)
        self._note(guarded if isfinite(guarded) else None, bound if isfinite(bound) else None)
        self._verdict = model.verdict(self._flicks, margin_sd(self._mean, self._sd(), self._limit), guarded)
        by = f"normal model at flick {self._flicks}"
        self._accepted_by = by if self._verdict is Verdict.PASS else ""
        self._rejected_by = by if self._verdict is Verdict.FAIL else ""

    def _sd(self) -> float:
        return max(sqrt(self._squares / (self._flicks - 1)) if self._flicks > 1 else 0.0, self._plan.sd_floor_counts)

    def _note(self, statistic: float | None, bound: float | None) -> None:
        self._path.append(Look(flick=self._flicks, exceedances=self._exceedances, statistic=statistic, bound=bound))

    def _accept(self, by: str) -> None:
        self._verdict, self._accepted_by = Verdict.PASS, by
        self._note(None, None)

    def _reject(self, by: str) -> None:
        self._verdict, self._rejected_by = Verdict.FAIL, by
        self._note(None, None)


def _exceedances(number: int) -> str:
    return "1 exceedance" if number == 1 else f"{number} exceedances"
