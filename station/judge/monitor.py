"""What no plan can see in one group is watched over all of them: rare big flicks, audited groups, correlation from flick to flick.

A group whose usual peaks are small and of which two in a hundred jump far out passes an early gate more often than not. Over many
groups those flicks add up. The pooled monitor counts *rare big flicks*: flicks beyond the neutral zone in a group whose other flicks
alone would pass the gate. (Flicks of a group that is bad through and through are no surprise and are left to its own plan.) When it
alarms, the station decides by count alone until a person has found the cause and sets the monitor back, in the spirit of tightened
inspection (ISO 2859-1 switching; scheme from memory, figures computed here).
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import log, sqrt
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from station.errors import UsageError
from station.judge.gate import FIRST, LAST, gate_for
from station.judge.plan import Plan
from station.quantities import GROUPS

ALARM = log(1000.0)
"""Evidence that alarms: rare big flicks a thousand times likelier at a raised share than at the base share."""
BASE_PART = 0.1
"""Share of rare big flicks taken as usual, in parts of over_share_good."""
RAISED_STEPS = 4
LAG_LIMIT = 0.2
"""Correlation beyond which the plan's independence is not met: at 0.4 the simulated consumer's risk is 1.5 times its bound."""


@dataclass(frozen=True, slots=True)
class PooledMonitor:
    """Running evidence for raised shares of rare big flicks, over all flicks of all units of one specification.

    raised_shares: shares watched for, evidence: log likelihood ratio of each against base_share, never below 0 (so that long good
    times do not hide a change). switched: an alarm was raised; it stays until `set_back`.
    """

    base_share: float
    raised_shares: tuple[float, ...]
    evidence: tuple[float, ...]
    groups: int = 0
    flicks: int = 0
    rare: int = 0
    switched: bool = False

    @classmethod
    def for_plan(cls, plan: Plan) -> Self:
        """A fresh monitor for the plan's figures: shares from 5 times the base share up to the bad share."""
        base = BASE_PART * plan.risks.share_good
        raised = tuple(float(share) for share in np.geomspace(5.0 * base, plan.risks.share_bad, RAISED_STEPS))
        return cls(base, raised, (0.0,) * RAISED_STEPS)

    def after(self, flicks: int, rare: int) -> Self:
        """The monitor after one more group of so many flicks, `rare` of them rare big ones."""
        if not 0 <= rare <= flicks:
            raise UsageError(f"rare big flicks are {rare} of {flicks}; expected 0 to {flicks}")
        evidence = tuple(
            max(0.0, old + rare * log(share / self.base_share) + (flicks - rare) * log((1.0 - share) / (1.0 - self.base_share)))
            for old, share in zip(self.evidence, self.raised_shares, strict=True)
        )
        return replace(
            self,
            evidence=evidence,
            groups=self.groups + 1,
            flicks=self.flicks + flicks,
            rare=self.rare + rare,
            switched=self.switched or max(evidence) >= ALARM,
        )

    def set_back(self) -> Self:
        """The monitor after a person has dealt with an alarm: evidence gone, totals kept."""
        return replace(self, evidence=(0.0,) * len(self.evidence), switched=False)

    def mode(self, decision_mode: str) -> str:
        """Mode the station decides in: count while switched."""
        return "count" if self.switched else decision_mode

    @property
    def sentence(self) -> str:
        """State in plain words."""
        seen = f"{self.rare} rare big flicks in {self.flicks} flicks of {self.groups} groups"
        if self.switched:
            return f"Alarm: {seen}; groups are decided by count alone until the cause is found and the monitor is set back."
        return f"Quiet: {seen}."

    def document(self) -> dict[str, Any]:
        """JSON-ready state."""
        return asdict(self)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """The monitor that `document` was made from."""
        return cls(
            base_share=float(document["base_share"]),
            raised_shares=tuple(float(share) for share in document["raised_shares"]),
            evidence=tuple(float(one) for one in document["evidence"]),
            groups=int(document["groups"]),
            flicks=int(document["flicks"]),
            rare=int(document["rare"]),
            switched=bool(document["switched"]),
        )


def rare_big_flicks(plan: Plan, peaks_counts: NDArray[np.float64], limit_counts: float) -> int:
    """Flicks beyond the limit in a group whose flicks within it would pass the gate by themselves; 0 in any other group.

    peaks_counts: the group's used flicks, shape (n,). Fewer than 8 flicks within the limit say nothing.
    """
    within = peaks_counts[peaks_counts <= limit_counts]
    if len(within) < FIRST:
        return 0
    gate = gate_for(plan.risks, LAST + 1)
    sd = max(float(np.std(within, ddof=1)), plan.sd_floor_counts)
    usual = gate.passes(min(len(within), LAST), float(np.mean(within)), sd, limit_counts)
    return len(peaks_counts) - len(within) if usual else 0


def audited_groups(material: str, share: float, groups: Sequence[str] = GROUPS) -> frozenset[str]:
    """Groups of a run that are decided by count whatever the mode, about `share` of all in the long run.

    A group is drawn by the SHA-256 of `material` (such as station and run number) and its name: nobody chooses it, anyone can check it.
    """
    return frozenset(group for group in groups if _draw(f"{material}/{group}") < share)


def _draw(text: str) -> float:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8]) / 2.0**64


@dataclass(frozen=True, slots=True)
class Correlation:
    """Correlation of a peak with the next of its group; lower and upper: 95 % interval; flicks: how many it rests on."""

    value: float
    lower: float
    upper: float
    flicks: int

    @property
    def beyond_assumption(self) -> bool:
        """True when the interval lies above what the plan's independence can bear."""
        return self.lower > LAG_LIMIT

    @property
    def sentence(self) -> str:
        figure = f"Correlation from flick to flick {self.value:.2f} ({self.lower:.2f} to {self.upper:.2f}, {self.flicks} flicks)"
        if self.beyond_assumption:
            return f"{figure}: beyond {LAG_LIMIT}, so the stated risks do not hold; wait longer between flicks or find what drifts."
        return f"{figure}."


def lag_one(peaks_counts: Sequence[NDArray[np.float64]]) -> Correlation | None:
    """Lag-1 correlation of the peaks within groups, pooled; None below 20 flicks or without any spread.

    peaks_counts: one array per group, in order. The raw ratio is low by (1 + (2 + 2 / k) rho) / n for k series of n: from the
    variance of their means, and for one series the (1 + 4 rho) / n of Kendall and of Marriott and Pope (1954, from memory); checked by
    simulation. That is taken off. Interval: normal, variance (1 - rho^2) / flicks.
    """
    series = [np.asarray(one, dtype=np.float64) for one in peaks_counts if len(one) >= 5]
    centred = [one - one.mean() for one in series]
    flicks, spread = sum(len(one) for one in series), float(sum(one @ one for one in centred))
    if flicks < 20 or spread == 0.0:
        return None
    raw = float(sum(one[1:] @ one[:-1] for one in centred)) / spread
    shortage = len(series) / flicks
    scale = 1.0 - (2.0 + 2.0 / len(series)) * shortage
    value = (raw + shortage) / scale
    half = 1.96 * sqrt(max(1.0 - raw**2, 0.0) / flicks) / scale
    return Correlation(_inside(value), _inside(value - half), _inside(value + half), flicks)


def _inside(correlation: float) -> float:
    return min(max(correlation, -1.0), 1.0)
