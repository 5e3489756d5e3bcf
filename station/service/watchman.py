"""What is watched over all units: rare big flicks, pooled by specification. Switches a station to counting until a person sets it back."""

from collections.abc import Mapping
from threading import Lock
from typing import Any

import numpy as np

from station.judge.monitor import PooledMonitor, rare_big_flicks
from station.judge.plan import plan_for
from station.quantities import GROUPS
from station.records import Score
from station.specification import Specification


class Watchman:
    """Thread-safe: the rigs of a station pool their flicks. Monitors are kept by specification label."""

    def __init__(self, documents: Mapping[str, Mapping[str, Any]]) -> None:
        self._lock = Lock()
        self._monitors = {label: PooledMonitor.from_document(document) for label, document in documents.items()}

    def mode(self, specification: Specification) -> str:
        """Mode in which groups are decided now."""
        with self._lock:
            return self._monitor(specification).mode(specification.decision.mode)

    def take(self, specification: Specification, scores: Mapping[str, Score]) -> Mapping[str, Any]:
        """Enter the used flicks of a finished run's groups; the monitor's document, for the record."""
        with self._lock:
            monitor = self._monitor(specification)
            for score in scores.values():
                for flicks, rare in _groups(specification, score):
                    monitor = monitor.after(flicks, rare)
            self._monitors[specification.label] = monitor
            return monitor.document()

    def set_back(self, label: str) -> Mapping[str, Any] | None:
        """After a person has found the cause of an alarm. The document, None when nothing is watched under this label."""
        with self._lock:
            monitor = self._monitors.get(label)
            if monitor is None:
                return None
            self._monitors[label] = monitor.set_back()
            return self._monitors[label].document()

    def alarms(self) -> dict[str, str]:
        """Sentences of the monitors that have alarmed, by specification label."""
        with self._lock:
            return {label: one.sentence for label, one in self._monitors.items() if one.switched}

    def _monitor(self, specification: Specification) -> PooledMonitor:
        kept = self._monitors.get(specification.label)
        return kept if kept is not None else PooledMonitor.for_plan(plan_for(specification.decision))


def _groups(specification: Specification, score: Score) -> list[tuple[int, int]]:
    """Flicks used and rare big ones among them, group by group."""
    plan, zone = plan_for(specification.decision), specification.host.neutral_zone_counts
    counts = []
    for group, judged in score.groups.items():
        mine = score.flicks.columns["peak_counts"][score.flicks.group == GROUPS.index(group)]
        used = mine[: int(judged["flicks_used"])]
        if np.all(np.isfinite(used)):
            counts.append((len(used), rare_big_flicks(plan, used, zone)))
    return counts
