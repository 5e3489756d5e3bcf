"""The way on from an undecided unit: its doubtful groups alone are flicked once more, beside the groups passed before.

Once only: if the second try ends undecided as well, the next start tests the unit whole (station.judge.words.WAY_ON tells people).
"""

from collections.abc import Mapping

from station.quantities import GROUPS
from station.records import Fitted, LastRun, Verdict
from station.specification import Specification


def groups_to_carry(last: LastRun | None, specification: Specification, fitted: Mapping[str, Fitted]) -> dict[str, tuple[str, ...]]:
    """Groups passed in the last run that need no further flick, by stick; empty when the unit must be tested whole.

    Only when nothing but groups was left open, the specification is the same to the digest, and no part was changed since.
    """
    if last is None or last.verdict is not Verdict.UNDECIDED or last.reasons or not last.undecided_groups or last.continues:
        return {}
    if last.specification_digest != specification.digest or dict(last.fitted) != dict(fitted):
        return {}
    return {
        stick: tuple(group for group in GROUPS if f"{stick} {group}" not in last.undecided_groups) for stick in specification.stick.names
    }
