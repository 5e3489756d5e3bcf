"""Control charts, wear and uncertainty budgets as people read them on a terminal."""

from collections.abc import Sequence
from typing import Any

from api.cli.output import figure, table
from api.cli.proof_view import short
from api.cli.records import Document
from api.cli.runs import short_time


def charts_table(found: Sequence[Document]) -> Any:
    """Charts that there are."""
    headers = ["key", "chart", "rig", "product", "lot", "figure"]
    rows = [[one["key"], *(one[part] or "-" for part in ("what", "rig", "product", "lot", "figure"))] for one in found]
    return table("", headers, rows, left=len(headers))


def chart_lines(one: Document) -> list[Any]:
    """One chart: what it shows, its limits, its points, its signals."""
    unit = f", {one['unit']}" if one["unit"] else ""
    baseline = one["baseline"]
    limits = "no limits"
    if one["limits"] == "provisional":
        limits = "provisional limits, nothing is judged by them"
    elif baseline is not None:
        limits = f"limits frozen from {baseline['first']} to {baseline['last']} by {baseline['by']}, {short_time(baseline['at'])} UTC"
    rules = "; ".join(f"{rule['name']}: {rule['sentence']}" for rule in one["rules"] if rule["chosen"])
    lines: list[Any] = [f"{one['title']}{unit}", f"  {one['point']}", f"  {limits}", f"  rules: {rules}"]
    lines += [f"  {remark}" for remark in one["remarks"]]
    return [*lines, *([_points(one)] if one["points"] else ["  no points"]), *_signals(one)]


def _points(one: Document) -> Any:
    headers = [one["called"], "at (UTC)", "size", "value", "centre", "lower", "upper", "zone", one["spread"] or "", "rules", "noted"]
    rows = [
        [
            point["key"],
            short_time(point["at"]),
            str(point["size"]),
            *(short(point[name]) for name in ("value", "centre", "lower", "upper")),
            "-" if point["zone"] is None else f"{point['zone']:+.2f}",
            short(point["spread"]["value"]) if point["spread"] else "-",
            " ".join(point["rules"]) or "-",
            "; ".join(note["cause"] for note in point["notes"]) or "-",
        ]
        for point in one["points"]
    ]
    return table("", headers, rows, left=2)


def _signals(one: Document) -> list[str]:
    if not one["signals"]:
        return []
    return ["Signals", *(f"  {signal['sentence']} (rests on {', '.join(signal['points'])})" for signal in one["signals"])]


def wear_lines(one: Document) -> list[Any]:
    """Trend of every figure of a rig's health."""
    headers = ["figure", "standing", "now", "per 1000 runs", "limit", "met in runs", "95 %", "about"]
    rows = [[name, health["standing"], *_trend(health)] for name, health in one["figures"].items()]
    lines: list[Any] = [f"{one['runs']} runs", table("", headers, rows, left=2)]
    lines += [f"  {health['sentence']}" for health in one["figures"].values() if health["standing"] not in ("steady", "too-few")]
    lines += [f"  likely: {cause['sentence']}" for cause in one["causes"]]
    return lines


def _trend(health: Document) -> list[str]:
    limit, slope, forecast = health["limit"], health["slope_per_run"], health["forecast"]
    bounds = "-" if limit["low"] is limit["high"] is None else f"{short(limit['low'])} .. {short(limit['high'])}"
    told = [short(health["level"]), short(None if slope is None else 1000.0 * slope), bounds]
    if forecast is None:
        return [*told, "-", "-", "-"]
    runs, low, high = (figure(forecast[name], 0) for name in ("runs", "runs_low", "runs_high"))
    return [*told, runs, f"{low} .. {high}", (forecast["at"] or "-")[:10]]


def budget_lines(one: Document) -> list[Any]:
    """Budget of the peak and, with a capacitor, of its lag."""
    lines: list[Any] = []
    for title, budget in (("Peak", one["peak"]), ("Added lag", one["added_lag"])):
        if budget is None:
            lines.append(f"{title}: none without a capacitor")
            continue
        unit = budget["unit"]
        lines.append(_budget(f"{title} at {short(budget['value'])} {unit}", budget))
        lines.append(f"  combined {short(budget['combined_u'])} {unit}")
        lines.append(f"  expanded, k = {budget['coverage_factor']:g}: {short(budget['expanded_u'])} {unit}")
        lines += [f"  {note}" for note in budget["notes"]]
    return lines


def _budget(title: str, budget: Document) -> Any:
    headers = ["source", "distribution", "from", "u", "unit", "sensitivity", "contribution", "share"]
    rows = [
        [
            line["source"],
            line["distribution"],
            line["origin"],
            short(line["u"]),
            line["unit"],
            short(line["sensitivity"]),
            short(line["contribution"]),
            f"{100.0 * line['share']:.1f} %",
        ]
        for line in budget["lines"]
    ]
    return table(title, headers, rows, left=3)
