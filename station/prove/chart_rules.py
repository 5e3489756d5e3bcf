"""Run rules: patterns that hardly come by chance when nothing has changed. Names are ours.

The eight patterns are those of L. S. Nelson, Journal of Quality Technology 16(4), 1984, which ISO 7870-2:2013 treats as pattern tests (from
memory, the standard's text was not at hand). Inequalities are strict; a point on the centre is on neither side. A rule fires at the point
that completes its pattern, and that point is part of it.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from station.errors import UsageError

Zones = Sequence[float]
Pattern = Callable[[Zones], tuple[int, ...]]
"""From the zones of at most `window` points, oldest first, to the places of those that make the pattern; () when it is not there."""

BEYOND, ONE_SIDE, SPREAD = "beyond", "one-side", "spread"


@dataclass(frozen=True, slots=True)
class Rule:
    """sentence: the pattern, in words. window: how many points it looks at. of_spread: it looks at the chart of the spread."""

    name: str
    sentence: str
    window: int
    pattern: Pattern
    of_spread: bool = False


@dataclass(frozen=True, slots=True)
class Firing:
    """A rule that fired. place: of the point that completed the pattern. places: of all it rests on, oldest first, place included.

    first: the rule had not fired at the point before. A pattern that goes on fires again at every further point, with first False; a rule
    of one point is new each time.
    """

    place: int
    rule: str
    places: tuple[int, ...]
    first: bool


def _whole(zones: Zones, wanted: int, holds: bool) -> tuple[int, ...]:
    return tuple(range(wanted)) if holds and len(zones) == wanted else ()


def _beyond(zones: Zones) -> tuple[int, ...]:
    return _whole(zones, 1, abs(zones[-1]) > 3.0)


def _one_side(zones: Zones) -> tuple[int, ...]:
    return _whole(zones, 9, min(zones) > 0.0 or max(zones) < 0.0)


def _steps(zones: Zones) -> list[float]:
    return [later - former for former, later in pairwise(zones)]


def _slope(zones: Zones) -> tuple[int, ...]:
    steps = _steps(zones)
    return _whole(zones, 6, all(step > 0.0 for step in steps) or all(step < 0.0 for step in steps))


def _zigzag(zones: Zones) -> tuple[int, ...]:
    steps = _steps(zones)
    return _whole(zones, 14, all(former < 0.0 < later or later < 0.0 < former for former, later in pairwise(steps)))


def _further(zones: Zones, sigmas: float, wanted: int) -> tuple[int, ...]:
    """Places of at least `wanted` points further out than `sigmas` on the side of the newest, which is one of them."""
    side = 1.0 if zones[-1] > 0.0 else -1.0
    places = tuple(place for place, zone in enumerate(zones) if side * zone > sigmas)
    return places if len(places) >= wanted and places[-1] == len(zones) - 1 else ()


def _two_far(zones: Zones) -> tuple[int, ...]:
    return _further(zones, 2.0, 2)


def _four_off(zones: Zones) -> tuple[int, ...]:
    return _further(zones, 1.0, 4)


def _hugging(zones: Zones) -> tuple[int, ...]:
    return _whole(zones, 15, all(abs(zone) < 1.0 for zone in zones))


def _shunning(zones: Zones) -> tuple[int, ...]:
    return _whole(zones, 8, all(abs(zone) > 1.0 for zone in zones) and min(zones) < 0.0 < max(zones))


RULES: Final[Mapping[str, Rule]] = {
    rule.name: rule
    for rule in (
        Rule(BEYOND, "one point further than three sigma from the centre", 1, _beyond),
        Rule(ONE_SIDE, "nine points in a row on one side of the centre", 9, _one_side),
        Rule("slope", "six points in a row steadily rising or falling", 6, _slope),
        Rule("zigzag", "fourteen points in a row by turns up and down", 14, _zigzag),
        Rule("two-far", "two of three points beyond two sigma on one side", 3, _two_far),
        Rule("four-off", "four of five points beyond one sigma on one side", 5, _four_off),
        Rule("hugging", "fifteen points in a row within one sigma of the centre", 15, _hugging),
        Rule("shunning", "eight points in a row beyond one sigma, on both sides of the centre", 8, _shunning),
        Rule(SPREAD, "one point of the chart of the spread beyond its limits", 1, _beyond, of_spread=True),
    )
}
RUN_UP: Final = max(rule.window for rule in RULES.values())
"""Points before the first one judged, so that every rule sees its whole window there and at the point before."""


def chosen(names: Iterable[str]) -> tuple[str, ...]:
    """Names of rules in the table's order, each once. Raises UsageError for a name that is none."""
    asked = tuple(names)
    for name in asked:
        if name not in RULES:
            raise UsageError(f"run rule is {name[:40]!r}; expected one of {', '.join(RULES)}")
    return tuple(name for name in RULES if name in asked)


def firings(levels: Zones, spreads: Zones, rules: Iterable[str]) -> tuple[Firing, ...]:
    """Where rules fire, by place, then in the order of the rules.

    levels, spreads: distances from the centre of the chart of levels and of that of the spread, in their own sigmas, one each a point,
    oldest first; a spread that is not there is NaN and fires nothing. Windows are shorter at the start: what needs more points is silent.
    """
    found = [firing for name in rules for firing in _of_rule(RULES[name], levels, spreads)]
    return tuple(sorted(found, key=lambda firing: firing.place))


def _of_rule(rule: Rule, levels: Zones, spreads: Zones) -> Iterator[Firing]:
    zones = spreads if rule.of_spread else levels
    before = False
    for place in range(len(zones)):
        start = max(0, place + 1 - rule.window)
        places = tuple(start + one for one in rule.pattern(zones[start : place + 1]))
        if places:
            yield Firing(place, rule.name, places, rule.window == 1 or not before)
        before = bool(places)
