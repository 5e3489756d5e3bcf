"""Sentences of charts, for banners and pages: what, value, limit, and what to do next."""

from collections.abc import Sequence

from station.proof import ChartKey
from station.prove.chart_rules import BEYOND, RULES, Firing
from station.prove.chart_table import Chart, chart_line, title_of, unit_of
from station.prove.charts import ChartKind, Limits, Part, Placed, chance_beyond

NOMINAL = 1.0 / 370.4  # chance of a normal value beyond three sigma


def sentence(key: ChartKey, placed: Sequence[Placed], firing: Firing) -> str:
    """What a banner says of a rule that fired, one paragraph."""
    line, unit = chart_line(key), unit_of(key)
    one = placed[firing.place]
    if RULES[firing.rule].of_spread and one.spread is not None:
        said = f"{_spread_name(line, one.point.key)} is {_against(one.spread, unit)}"
    elif firing.rule == BEYOND:
        said = f"{_named(line, one.point.key)} is at {_against(one.level, unit)}"
    else:
        said = _of_run(line, placed, firing, unit)
    return f"{title_of(key)}: {said}. {line.look} Then note cause and action on the chart."


def shown(value: float, unit: str) -> str:
    """Four digits and the unit: shares in percent, times in milliseconds."""
    if unit == "share":
        return f"{100.0 * value:.4g} %"
    if unit == "s":
        return f"{1000.0 * value:.4g} ms"
    return f"{value:.4g} {unit}".strip()


def beyond_remark(keys: Sequence[str]) -> str:
    """Of a baseline that is not in control itself."""
    return (
        f"Of the baseline {', '.join(keys)} lie{'s' if len(keys) == 1 else ''} beyond the limits made from it: look for the cause, "
        "and if there is one freeze limits from a stretch without it."
    )


def provisional_remark(line: Chart) -> str:
    return (
        f"The limits are provisional: made of all points shown, not frozen, and no rule is looked for. "
        f"Freeze them from at least {line.least} points at which the process ran as it should."
    )


def coarse_remark(limits: Limits, size: int) -> str:
    """Of shares so few that their limits are crossed by chance more than twice as often as those of normal values; "" otherwise."""
    chance = chance_beyond(limits, size)
    if chance <= 2.0 * NOMINAL:
        return ""
    return (
        f"With {size} units a point and {shown(limits.centre, 'share')} failed, one point in {round(1.0 / chance)} "
        "lies beyond a limit by chance alone; with normal values it is one in 370."
    )


def _named(line: Chart, key: str) -> str:
    """Such as "run 812"; a key that says so itself stays as it is."""
    return key if key.startswith(line.called) else f"{line.called} {key}"


def _against(part: Part, unit: str) -> str:
    side, limit = ("above its upper", part.upper) if part.zone > 0.0 else ("below its lower", part.lower)
    return f"{shown(part.value, unit)}, {side} limit {shown(limit, unit)} (centre {shown(part.centre, unit)})"


def _spread_name(line: Chart, key: str) -> str:
    if line.kind is ChartKind.INDIVIDUALS:
        return f"the step to {_named(line, key)}"
    return f"the standard deviation of the {_named(line, key)}"


def _of_run(line: Chart, placed: Sequence[Placed], firing: Firing, unit: str) -> str:
    first, last = placed[firing.places[0]], placed[firing.place]
    level, named = last.level, _named(line, last.point.key)
    return (
        f"{RULES[firing.rule].sentence} ({first.point.key} to {last.point.key}); {named} is at {shown(level.value, unit)} "
        f"(centre {shown(level.centre, unit)}, limits {shown(level.lower, unit)} to {shown(level.upper, unit)})"
    )
