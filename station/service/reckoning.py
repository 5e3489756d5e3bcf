"""What the adviser has computed: advice, checks of retests, and what the ledger teaches. Pure; the adviser reads and keeps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from station.records import Recording
from station.rework import Checked, EstimateRow, LotKey, Part, RunFacts
from station.specification import Specification


@dataclass(frozen=True, slots=True)
class Pair:
    """Recordings of one stick before the work and at the retest."""

    before: Recording
    after: Recording


class Reckoning(Protocol):
    """Computations handed to the adviser. What they raise, whatever it is, becomes "failed" and one sentence."""

    def advise(
        self, facts: RunFacts, recordings: Mapping[str, Recording], spec: Specification, estimates: Sequence[EstimateRow]
    ) -> Mapping[str, Mapping[str, Any]]:
        """Advice documents of a run by stick. estimates: the newest of the unit's lot and of its product, those that there are."""
        ...

    def check(
        self,
        before: RunFacts,
        after: RunFacts,
        pairs: Mapping[str, Pair],
        spec: Specification,
        parts: Sequence[Part],
        estimates: Sequence[EstimateRow],
    ) -> Checked:
        """What a retest shows of the parts recorded, stick by stick."""
        ...

    def estimate(self, key: LotKey, lessons: Sequence[Mapping[str, Any]], spec: Specification, at: datetime) -> EstimateRow:
        """What a lot's comparisons, oldest first, say of its source resistance. The version is not looked at."""
        ...
