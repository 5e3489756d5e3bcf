"""What was ordered against what answered: known only in runs, where the order of flicks is known."""

from collections import Counter
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from station.judge import reasons
from station.measure.flicks import Found
from station.quantities import AXES, GROUPS, axis_of, sign_of
from station.records import CommandedFlick, Recording

MOST: Final = 0.5  # share of a group's commanded flicks from which an answer counts as the group's


@dataclass(frozen=True, slots=True)
class Answers:
    """By commanded group: how many flicks were ordered, how many answered, and on which group.

    together: on how many the other axis answered with a flick of its own as well. frozen: sentences on dead converters.
    counted: rows of the flicks that answer an order, in order of time; warm-up flicks and the other axis' are not counted.
    """

    ordered: Counter[str]
    answered: dict[str, Counter[str]]
    together: Counter[str]
    frozen: tuple[str, ...]
    counted: NDArray[np.intp]


def answers(recording: Recording, commanded: tuple[CommandedFlick, ...], found: Found) -> Answers:
    """Matches every order with the flick released before the next order."""
    firsts = np.array([one.first_sample for one in commanded], dtype=np.intp)
    place = np.searchsorted(firsts, found.flicks.half, side="right") - 1
    seen = [f"{AXES[a]}{'+' if s > 0 else '-'}" for a, s in zip(found.flicks.axis.tolist(), found.flicks.sign.tolist(), strict=True)]
    answered: dict[str, Counter[str]] = {group: Counter() for group in GROUPS}
    together: Counter[str] = Counter()
    counted: list[int] = []
    for number, order in enumerate(commanded):
        here = np.flatnonzero(place == number).tolist()
        if here:
            chosen = next((k for k in here if seen[k] == order.group), here[0])
            answered[order.group][seen[chosen]] += 1
            together[order.group] += any(seen[k][0] != seen[chosen][0] for k in here)
            counted.append(chosen)
    ordered = Counter(one.group for one in commanded)
    return Answers(ordered, answered, together, tuple(_frozen(recording, commanded)), np.asarray(counted, dtype=np.intp))


def _frozen(recording: Recording, commanded: tuple[CommandedFlick, ...]) -> list[str]:
    """Axes whose samples are bit-identical through a push ordered on them, rails aside."""
    said: dict[str, str] = {}
    for number, order in enumerate(commanded):
        values = recording.x_v if axis_of(order.group) == "x" else recording.y_v
        last = commanded[number + 1].first_sample if number + 1 < len(commanded) else len(values)
        part = values[order.first_sample : last]
        if len(part) and part.min() == part.max():
            said.setdefault(
                axis_of(order.group), f"Axis {axis_of(order.group)} is bit-identical through a push of {order.group}: dead converter."
            )
    return list(said.values())


def answer_reasons(found: Answers) -> tuple[list[str], list[str]]:
    """Reasons against the unit, and sentences against the rig (flicks that did not happen)."""
    unit: list[str] = []
    rig: list[str] = []
    missing = [group for group in GROUPS if found.ordered[group] and not found.answered[group]]
    for axis in AXES:
        silent = [group for group in missing if axis_of(group) == axis]
        whole = len(silent) == sum(found.ordered[group] > 0 for group in GROUPS if axis_of(group) == axis)
        unit += [f"{reasons.DEAD_CHANNEL}:{axis}"] if silent and whole else [f"{reasons.DEAD_CHANNEL}:{group}" for group in silent]
    for group, counts in found.answered.items():
        total = sum(counts.values())
        if not total:
            continue
        unit += _crossed(group, counts, total)
        if found.together[group] > MOST * total:
            unit.append(f"{reasons.CROSS_AXIS}:{group}")
        if total < found.ordered[group]:
            rig.append(f"{found.ordered[group] - total} of {found.ordered[group]} flicks of {group} were not seen in the signal.")
    return unit, rig


def _crossed(group: str, counts: Counter[str], total: int) -> list[str]:
    other_axis = sum(n for name, n in counts.items() if axis_of(name) != axis_of(group))
    other_side = sum(n for name, n in counts.items() if sign_of(name) != sign_of(group))
    found = []
    if other_axis > MOST * total:
        found.append(reasons.SWAPPED_AXES)
    if other_side > MOST * total:
        found.append(f"{reasons.REVERSED_AXIS}:{axis_of(group)}")
    return found
