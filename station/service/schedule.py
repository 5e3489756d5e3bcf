"""Plan: which groups are flicked in the next round. Pure; knows peaks so far and nothing of metal."""

from dataclasses import dataclass, field

from station.judge.plan import Plan
from station.judge.watch import Watch
from station.quantities import GROUPS
from station.records import Verdict

MISSED_MAX = 2  # commanded flicks of a group not seen in the signal before the group is left alone


@dataclass(slots=True)
class GroupProgress:
    """One group so far: its watch under the plan, peaks seen in counts, and how many commanded flicks were not seen."""

    watch: Watch
    peaks_counts: list[float] = field(default_factory=list)
    missed: int = 0

    @property
    def commanded(self) -> int:
        return len(self.peaks_counts) + self.missed

    @property
    def verdict(self) -> Verdict:
        return self.watch.outcome().verdict

    def settled(self) -> bool:
        """No further flick of this group would be used."""
        return self.watch.final or self.missed >= MISSED_MAX


class Schedule:
    """Rounds of at most one flick a group, interleaved, until every group is settled or one is rejected.

    limit_counts: edge of the neutral zone. carried: groups that an earlier run of the unit has passed. The order turns by one group each
    round so that no group always comes first.
    """

    def __init__(
        self, plans: dict[str, Plan], limit_counts: float, guard_band_counts: float, flicks_max: int, carried: tuple[str, ...] = ()
    ) -> None:
        self.groups = {group: GroupProgress(plans[group].watch(limit_counts, guard_band_counts)) for group in GROUPS}
        self._limit_counts = limit_counts
        self._flicks_max = flicks_max
        self._carried = carried
        self._rounds = 0

    def next_round(self) -> tuple[str, ...]:
        """Groups to flick now, in order; empty when the run is over."""
        if any(one.verdict is Verdict.FAIL for one in self.groups.values()):
            return ()
        turn = self._rounds % len(GROUPS)
        self._rounds += 1
        return tuple(group for group in GROUPS[turn:] + GROUPS[:turn] if group not in self._carried and self._wanted(self.groups[group]))

    def add(self, group: str, peak_counts: float | None) -> None:
        """Enter a flick's peak; None when the commanded flick was not seen."""
        progress = self.groups[group]
        if peak_counts is None:
            progress.missed += 1
            return
        progress.peaks_counts.append(peak_counts)
        if not progress.watch.final:
            progress.watch.add(peak_counts)

    def progress(self) -> dict[str, dict[str, object]]:
        """Flicks done, peaks beyond and the state of every group, JSON-ready."""
        return {group: self._shown(one) for group, one in self.groups.items()}

    def _wanted(self, progress: GroupProgress) -> bool:
        return not progress.settled() and progress.commanded < self._flicks_max

    def _shown(self, one: GroupProgress) -> dict[str, object]:
        beyond = sum(peak > self._limit_counts for peak in one.peaks_counts)
        return {
            "flicks": len(one.peaks_counts),
            "missed": one.missed,
            "beyond": beyond,
            "verdict": str(one.verdict),
            "settled": one.settled(),
        }
