"""Charts as the station keeps them: freezing limits, looking for signals, and the document that pages and the API show. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np

from station.errors import UsageError
from station.proof import Baseline, ChartKey, ChartPoint, Note, Signal
from station.prove.chart_rules import RULES, RUN_UP, Firing, chosen, firings
from station.prove.chart_table import Chart, chart_line, title_of, unit_of
from station.prove.chart_words import beyond_remark, coarse_remark, provisional_remark, sentence
from station.prove.charts import LEAST_DRAWN, ChartKind, Limits, Part, Placed, limits_from, place, size_of, usable, value_of

BASELINE_MOST: Final = 2000  # newest points a baseline may be taken from: ten days of a rig that tests without pause, years of checks
SPREADS: Final = {ChartKind.INDIVIDUALS: "moving range", ChartKind.MEANS: "standard deviation", ChartKind.SHARE: None}


def stretch(points: Sequence[ChartPoint], first: str, last: str) -> Sequence[ChartPoint]:
    """Points from key first to key last, both included. Raises UsageError for a key that is not there, or in the wrong order."""
    keys = [point.key for point in points]
    for name, key in (("first", first), ("last", last)):
        if key not in keys:
            among = f"one of {keys[0]} to {keys[-1]}" if keys else "a point, and the chart has none"
            raise UsageError(f"{name} point of the baseline is {key[:40]!r}; expected {among}")
    begin, end = keys.index(first), keys.index(last)
    if begin > end:
        raise UsageError(f"the baseline begins with {first} and ends with {last}, which is older; expected them the other way round")
    return points[begin : end + 1]


def frozen(key: ChartKey, points: Sequence[ChartPoint]) -> dict[str, Any]:
    """Limits from a baseline, oldest point first, as proof.Baseline keeps them. Raises UsageError: too short, without variation."""
    line = chart_line(key)
    try:
        return limits_from(line.kind, usable(line.kind, points), line.least).document()
    except UsageError as problem:
        raise UsageError(f"{title_of(key)}: {problem}") from problem


def rules_of(key: ChartKey, names: Iterable[str]) -> tuple[str, ...]:
    """Rules that are looked for: the named ones, those of the table of charts when none is.

    Raises UsageError for a name that is none, and for a rule of the spread on a chart without one.
    """
    line = chart_line(key)
    rules = chosen(names) or line.rules
    for name in rules:
        if RULES[name].of_spread and SPREADS[line.kind] is None:
            raise UsageError(f"run rule is {name!r}; expected another: {title_of(key)} has no chart of the spread")
    return rules


def signals_of(baseline: Baseline, points: Sequence[ChartPoint], at: datetime) -> tuple[Signal, ...]:
    """Signals at points after the baseline, oldest first. Each pattern is one signal, at the point that first completed it.

    points: the newest, oldest first, at least RUN_UP more than may be new; what they say does not depend on where they begin.
    """
    limits = Limits.from_document(baseline.limits)
    known = usable(limits.kind, points)
    judged = _judged(baseline, known)
    return tuple(one for one in signals(baseline.chart, place(limits, known), baseline.rules, at) if one.point in judged)


def signals(chart: ChartKey, placed: Sequence[Placed], rules: Sequence[str], at: datetime) -> tuple[Signal, ...]:
    """Where rules fire first, oldest first. at: when it was looked."""
    return tuple(
        Signal(
            chart=chart,
            point=placed[one.place].point.key,
            rule=one.rule,
            points=tuple(placed[place].point.key for place in one.places),
            sentence=sentence(chart, placed, one),
            at=at,
        )
        for one in _fired(placed, rules)
        if one.first
    )


def document(
    key: ChartKey, points: Sequence[ChartPoint], baseline: Baseline | None, kept: Sequence[Signal], notes: Sequence[Note]
) -> dict[str, Any]:
    """A chart, JSON-ready: points oldest first, each against its limits, with the rules that fired there and what was noted.

    limits: "frozen", "provisional" (made of the points given; nothing is judged by them) or "none". kept: signals as stored; a pattern that
    went on is marked at every point it went through, but is one signal.
    """
    line = chart_line(key)
    known = usable(line.kind, points)
    limits, state, remarks = _limits(line, known, baseline)
    fired = _rules_by_point(baseline, known, kept)
    noted = _notes_by_point(notes)
    return {
        "chart": {"what": key.what, "rig": key.rig, "product": key.product, "lot": key.lot, "figure": key.figure},
        "title": title_of(key),
        "unit": unit_of(key),
        "kind": line.kind.value,
        "point": line.point,
        "called": line.called,
        "spread": SPREADS[line.kind],
        "limits": state,
        "least_points": line.least,
        "baseline": _baseline(baseline),
        "rules": _rules(baseline.rules if baseline else line.rules),
        "points": [
            {**shown, "rules": _in_order(fired[point.key]), "notes": noted[point.key]}
            for point, shown in zip(known, _points(line, limits, known), strict=True)
        ],
        "signals": [_signal(one) for one in kept],
        "remarks": [*remarks, *_left_out(len(points) - len(known))],
    }


def _judged(baseline: Baseline, points: Sequence[ChartPoint]) -> frozenset[str]:
    """Keys of the points after the baseline that have their whole run-up among the points given."""
    keys = [point.key for point in points]
    after = keys.index(baseline.last) + 1 if baseline.last in keys else 0
    return frozenset(keys[after:] if baseline.first in keys else keys[max(after, RUN_UP) :])


def _fired(placed: Sequence[Placed], rules: Iterable[str]) -> tuple[Firing, ...]:
    levels = [one.level.zone for one in placed]
    spreads = [one.spread.zone if one.spread else float("nan") for one in placed]
    return firings(levels, spreads, rules)


def _rules_by_point(baseline: Baseline | None, points: Sequence[ChartPoint], kept: Sequence[Signal]) -> Mapping[str, set[str]]:
    """Signals as kept, and beside them how long their patterns went on."""
    found: dict[str, set[str]] = defaultdict(set)
    for signal in kept:
        found[signal.point].add(signal.rule)
    if baseline is not None:
        placed = place(Limits.from_document(baseline.limits), points)
        judged = _judged(baseline, points)
        for one in _fired(placed, baseline.rules):
            if points[one.place].key in judged:
                found[points[one.place].key].add(one.rule)
    return found


def _in_order(names: Iterable[str]) -> list[str]:
    """As in the table; a rule that has left it comes last."""
    order = list(RULES)
    return sorted(names, key=lambda name: (order.index(name) if name in RULES else len(order), name))


def _limits(line: Chart, points: Sequence[ChartPoint], baseline: Baseline | None) -> tuple[Limits | None, str, list[str]]:
    """Limits to draw, what they are, and what is to be said of them."""
    if baseline is not None:
        limits = Limits.from_document(baseline.limits)
        remarks = [beyond_remark(limits.beyond)] if limits.beyond else []
        return limits, "frozen", [*remarks, *_coarse(limits, points)]
    try:
        limits = limits_from(line.kind, points, LEAST_DRAWN)
    except UsageError as problem:
        return None, "none", [f"There are no limits: {problem}."]
    return limits, "provisional", [provisional_remark(line), *_coarse(limits, points)]


def _coarse(limits: Limits, points: Sequence[ChartPoint]) -> list[str]:
    if limits.kind is not ChartKind.SHARE or not points:
        return []
    remark = coarse_remark(limits, round(float(np.median([point.sample[1] for point in points]))))
    return [remark] if remark else []


def _left_out(count: int) -> list[str]:
    return [f"{count} point{' is' if count == 1 else 's are'} left out: the figure could not be measured there."] if count else []


def _points(line: Chart, limits: Limits | None, points: Sequence[ChartPoint]) -> list[dict[str, Any]]:
    if limits is None:
        bare = dict.fromkeys(("centre", "lower", "upper", "zone", "spread"))
        return [{**_head(line.kind, point), "value": value_of(line.kind, point), **bare} for point in points]
    return [
        {**_head(line.kind, one.point), **_part(one.level), "spread": _part(one.spread) if one.spread else None}
        for one in place(limits, points)
    ]


def _head(kind: ChartKind, point: ChartPoint) -> dict[str, Any]:
    return {"key": point.key, "at": _rfc3339(point.at), "size": size_of(kind, point)}


def _part(part: Part) -> dict[str, float]:
    return {"value": part.value, "centre": part.centre, "lower": part.lower, "upper": part.upper, "zone": part.zone}


def _baseline(baseline: Baseline | None) -> dict[str, Any] | None:
    if baseline is None:
        return None
    made = {"first": baseline.first, "last": baseline.last, "by": baseline.by, "at": _rfc3339(baseline.at)}
    return {**made, **Limits.from_document(baseline.limits).document()}


def _rules(asked: Sequence[str]) -> list[dict[str, Any]]:
    return [{"name": rule.name, "sentence": rule.sentence, "chosen": rule.name in asked} for rule in RULES.values()]


def _signal(signal: Signal) -> dict[str, Any]:
    said = {"point": signal.point, "rule": signal.rule, "points": list(signal.points), "sentence": signal.sentence}
    return {**said, "at": _rfc3339(signal.at)}


def _notes_by_point(notes: Sequence[Note]) -> Mapping[str, list[dict[str, str]]]:
    found: dict[str, list[dict[str, str]]] = defaultdict(list)
    for note in notes:
        found[note.point].append({"cause": note.cause, "action": note.action, "by": note.by, "at": _rfc3339(note.at)})
    return found


def _rfc3339(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
