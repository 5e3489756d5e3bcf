"""What a reference unit's values and limits are made of, and how a measurement compares with them. Pure."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

from station.errors import UsageError
from station.proof import Deviation, ReferenceUnit, ReferenceValue, StepResult
from station.quantities import GROUPS
from station.service.proving.measured import FINGER, rows_of

SPREAD_SD: Final = 4.0  # a limit lies so many standard deviations of one measurement away: of healthy figures 1 in 4,000 leaves it
FLOORS: Final = {
    "peak_counts": 0.5,  # grease and warmth of a shift; a 44th of the demo product's neutral zone
    "reach_counts": 0.5,  # the gate of a stick is steady; half a count is what the host could just see
    "return_s": 0.00015,  # 4 % of a return of 4 ms: about what 10 K do to the grease
    "rest_counts": 0.5,  # dry friction lets a stick lie anywhere within some tenths of a count
    "noise_counts": 0.05,  # a third of what a quiet sampler has
    "push_latency_s": 0.0003,  # 0.4 degrees of the finger at 1,200 degrees a second
    "push_s": 0.0003,  # 2 % of the actuator's speed
    "release_s": 0.0003,  # 0.4 degrees, as of the push
    "push_jitter_s": 0.0001,  # half of what a healthy actuator has
    "release_jitter_s": 0.0001,  # likewise
    "supply_v": 0.012,  # 0.36 % of 3.3 V: a quarter of a count at full deflection
}
"""Least limit of every figure compared, in its own unit: less is what a unit may do by itself. Chosen on emulated data, no source."""
WIDEST: Final = 6.0  # times its floor a limit may be: values that scatter more prove nothing; chosen on emulated data

Key = tuple[str, str, str]


def deviations(unit: ReferenceUnit, result: StepResult) -> tuple[Deviation, ...]:
    """Of every figure the unit has a value of; NaN, which is not within, where it was not measured."""
    measured = {(stick, place, figure): value for stick, place, figure, value in rows_of(result.figures["sticks"])}
    return tuple(
        Deviation(stick, place, figure, measured.get((stick, place, figure), math.nan), reference)
        for stick, places in unit.values.items()
        for place, figures in places.items()
        for figure, reference in figures.items()
    )


def reference_values(
    repeats: Sequence[Mapping[str, Any]], flicks: int, limits: Mapping[str, float]
) -> dict[str, dict[str, dict[str, ReferenceValue]]]:
    """Means over the repeats with their limits. repeats: figures as measure_unit gives them. limits: those asked for, by figure.

    A limit that was not asked for is the figure's floor, or four standard deviations of one measurement where that is more. Raises
    UsageError for a figure that was missing in a repeat, or that scatters too much to be a reference.
    """
    table = _table(repeats)
    spread = _spreads(table, repeats, flicks)
    out: dict[str, dict[str, dict[str, ReferenceValue]]] = defaultdict(lambda: defaultdict(dict))
    for (stick, place, figure), values in table.items():
        limit = limits.get(figure) or _limit(figure, spread[stick, figure])
        out[stick][place][figure] = ReferenceValue(sum(values) / len(values), limit)
    return {stick: dict(places) for stick, places in out.items()}


def _table(repeats: Sequence[Mapping[str, Any]]) -> dict[Key, list[float]]:
    """Values of each figure compared, repeat by repeat."""
    table: dict[Key, list[float]] = defaultdict(list)
    for number, figures in enumerate(repeats, start=1):
        for stick, place, figure, value in rows_of(figures["sticks"]):
            if figure not in FLOORS:
                continue
            if math.isnan(value):
                raise UsageError(
                    f"{stick} {place} {figure} is missing in measurement {number}; expected a number: do it again, or take another unit"
                )
            table[stick, place, figure].append(value)
    return table


def _spreads(table: Mapping[Key, Sequence[float]], repeats: Sequence[Mapping[str, Any]], flicks: int) -> dict[tuple[str, str], float]:
    """Standard deviation of one measurement by stick and figure, places pooled: from repeat to repeat, or where larger from flick to flick.

    With few repeats the first is uncertain (16 degrees of freedom of four groups and five repeats) and may come out small by chance; what
    the flicks themselves scatter is known well, and no measurement can be steadier than the mean of its flicks.
    """
    pooled: dict[tuple[str, str], list[float]] = defaultdict(list)
    for (stick, place, figure), values in table.items():
        mean = sum(values) / len(values)
        within = _within_squared(repeats, stick, place, figure, mean, flicks)
        between = sum((value - mean) ** 2 for value in values) / (len(values) - 1)
        pooled[stick, figure] += [between, within]
    return {key: math.sqrt(max(_mean(squares[0::2]), _mean(squares[1::2]))) for key, squares in pooled.items()}


def _within_squared(repeats: Sequence[Mapping[str, Any]], stick: str, place: str, figure: str, mean: float, flicks: int) -> float:
    """Variance of one measurement that the scatter of its flicks alone makes; 0 where no flicks stand behind the figure."""
    if place == FINGER:  # a standard deviation about the means of four groups: chi law, 4 (flicks - 1) degrees of freedom
        return mean**2 / (2.0 * len(GROUPS) * (flicks - 1))
    found = [one["scatter"][stick].get(place, {}).get(figure) for one in repeats]
    known = [sd * sd / flicks for sd in found if sd is not None]
    return _mean(known) if known else 0.0


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _limit(figure: str, sd: float) -> float:
    limit = max(FLOORS[figure], SPREAD_SD * sd)
    if limit > WIDEST * FLOORS[figure]:
        raise UsageError(
            f"{figure} scatters by {sd:.3g} (standard deviation) from clamping to clamping; expected at most "
            f"{WIDEST * FLOORS[figure] / SPREAD_SD:.3g}: look for a loose clamp or finger, or take a steadier unit"
        )
    return limit
