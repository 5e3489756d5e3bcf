"""The decision on one group: pass, fail or not yet, as a pure function of the peaks so far.

Modes (domain word `mode`):
guarded       accept early only through the shape-guarded gate, reject only by count, an exact count plan behind (the default);
count         the count plan alone; its risks hold for any shape of peaks;
normal-model  accept and reject by mean and standard deviation; its risks hold for normal peaks only.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from station.errors import UsageError
from station.judge import words
from station.judge.count_plan import CountPlan
from station.judge.count_search import count_plan, rejection_only
from station.judge.fixed_plans import Risks
from station.judge.gate import COUNT_SHARE, Gate, gate_for
from station.judge.normal_plan import NormalPlan, normal_plan
from station.judge.watch import Outcome, Watch
from station.specification import Decision

MODES = ("guarded", "count", "normal-model")


@dataclass(frozen=True, slots=True)
class Plan:
    """A ready plan for groups under one decision section and mode.

    count: decides by exceedances in modes guarded and count; without acceptance flicks it can only reject. gate: in mode guarded.
    normal: in mode normal-model, which uses nothing else. last: no flick is asked for after it. always_decides: every group is
    passed or failed by then.
    """

    mode: str
    risks: Risks
    flicks_max: int
    sd_floor_counts: float
    count: CountPlan | None
    gate: Gate | None
    normal: NormalPlan | None
    last: int
    always_decides: bool

    @property
    def count_risks(self) -> Risks:
        """Risks the count plan must hold: behind the gate a part of the consumer's risk is kept for the gate."""
        return _count_risks(self.risks, self.mode)

    def watch(self, limit_counts: float, guard_band_counts: float = 0.0) -> Watch:
        """A group to be decided flick by flick against this limit. The guard band shifts early acceptance only."""
        return Watch(self, limit_counts, guard_band_counts)

    def decide(self, peaks_counts: NDArray[np.float64], limit_counts: float, guard_band_counts: float = 0.0) -> Outcome:
        """The outcome for a group's peaks so far, shape (n,), in counts and in the order they were made.

        An exceedance is a peak strictly beyond `limit_counts`. Peaks after the decision are not looked at; before it, a peak that is
        not a finite number raises UsageError (a missed flick is the rig's fault, never a pass).
        """
        watch = self.watch(limit_counts, guard_band_counts)
        for peak in np.asarray(peaks_counts, dtype=np.float64).tolist():
            if watch.final:
                break
            watch.add(peak)
        return watch.outcome()

    @property
    def statement(self) -> str:
        """What the plan promises and what it cannot promise, in plain words."""
        return words.statement(self)

    @property
    def limits(self) -> tuple[str, ...]:
        """What this plan cannot do at these figures, one sentence each; empty when nothing is missing."""
        return words.limits(self)

    def explain(self, outcome: Outcome) -> str:
        """One outcome in plain words, with the share of bad groups that would look as clean."""
        return words.explain(self, outcome)


def plan_for(decision: Decision, mode: str | None = None) -> Plan:
    """The plan of a decision section; `mode` overrides its mode (audited groups, a station switched by the monitor). Cached.

    Raises UsageError for a mode that does not exist or figures whose factors cannot be computed.
    """
    chosen = decision.mode if mode is None else mode
    if chosen not in MODES:
        raise UsageError(f"mode is {chosen!r}; expected one of {', '.join(MODES)}")
    risks = Risks(decision.over_share_good, decision.over_share_bad, decision.producer_risk, decision.consumer_risk)
    return _plan(risks, decision.flicks_max, decision.sd_floor_counts, chosen)


@lru_cache(maxsize=64)
def _plan(risks: Risks, flicks_max: int, sd_floor_counts: float, mode: str) -> Plan:
    if mode == "normal-model":
        normal = normal_plan(risks, flicks_max)
        return Plan(mode, risks, flicks_max, sd_floor_counts, None, None, normal, normal.last, normal.decides)
    count = count_plan(_count_risks(risks, mode), flicks_max) or rejection_only(risks, flicks_max)
    gate = gate_for(risks, count.accept_at[0] if count.accept_at else flicks_max + 1) if mode == "guarded" else None
    return Plan(mode, risks, flicks_max, sd_floor_counts, count, gate, None, count.last, bool(count.accept_at))


def _count_risks(risks: Risks, mode: str) -> Risks:
    """The same two points; the consumer's risk to 12 digits, so that 0.7 of 0.01 is 0.007."""
    part = COUNT_SHARE if mode == "guarded" else 1.0
    return replace(risks, consumer=float(f"{risks.consumer * part:.12g}"))
