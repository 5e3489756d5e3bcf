"""Orders, the ledger and the lot's answer as people read them on a terminal."""

from collections.abc import Sequence
from typing import Any

from api.cli.output import figure, table
from api.cli.records import Document
from api.cli.runs import short_time


def orders_table(found: Sequence[Document]) -> Any:
    """The work list."""
    headers = ["order", "state", "unit", "lot", "try", "failed run", "reasons", "advice", "opened (UTC)"]
    rows = [
        [
            str(one["order"]),
            one["state"],
            one["unit"]["serial"],
            one["unit"]["lot"] or "-",
            f"{one['tries']} of {one['tries_max']}",
            str(one["failing_run"]),
            " ".join(one["reasons"]),
            one["advice"],
            short_time(one["opened_at"]),
        ]
        for one in found
    ]
    return table("", headers, rows, left=len(headers))


def order_lines(one: Document) -> list[Any]:
    """One order: what it is about, what to do, what was done."""
    unit = one["unit"]
    lines: list[Any] = [
        f"Order {one['order']}: {one['state']}; unit {unit['serial']}, product {unit['product']}, lot {unit['lot'] or '-'}",
        f"  run {one['failing_run']} failed: {' '.join(one['reasons'])}; specification {one['specification']}",
        f"  {one['note']}" if one["note"] else "",
        f"  ended by {one['closed_by']} {short_time(one['closed_at'])} UTC: {one['closing']}" if one["closed_at"] else "",
    ]
    for tried in one["all_tries"]:
        lines += _try_lines(tried, one)
    if one["closed_at"] is None and any(step.get("solder") for step in one["all_tries"][-1]["steps"]):
        lines += ["Before soldering:", *(f"  - {caution}" for caution in one["cautions"])]
    return [line for line in lines if line != ""]


def _try_lines(tried: Document, one: Document) -> list[str]:
    said = {"pending": "being made", "failed": tried["advice_sentence"], "waiting": "not made", "made": ""}[tried["advice"]]
    lines = [f"Try {tried['number']} of {one['tries_max']}, advice from run {tried['advice_run']}{': ' + said if said else ''}"]
    for step in tried["steps"]:
        lines += _step_lines(step)
    lines += [
        f"  recorded: {part['text']} on {part['stick']} {part['axis']} by {part['by']}, {short_time(part['at'])} UTC"
        for part in tried["parts"]
    ]
    if tried["retest_run"] is not None:
        lines.append(f"  retest: run {tried['retest_run']}, {tried['retest_verdict']}{'; ' + tried['outcome'] if tried['outcome'] else ''}")
    lines += [f"  {finding['in_words']}" for finding in tried["findings"].values()]
    return [*lines, f"  {tried['check_sentence']}"] if tried["check_sentence"] else lines


def _step_lines(step: Document) -> list[str]:
    lines = [f"  {step['stick']} {step['axis']}: {step['in_words']}"]
    if step["solder"] and step["capacitance_f"]:
        lines.append(f"    {step['value']}, marked {step['marking']}, {step['where']}")
    return lines + [f"    what would help: {sentence}" for sentence in step["help"]]


def ledger_table(found: Sequence[Document]) -> Any:
    """Predicted, measured, residual."""
    headers = ["order", "unit", "lot", "axis", "finding", "estimate", "part", "predicted", "measured", "residual"]
    rows = [
        [
            f"{one['order']}.{one['try_number']}",
            one["unit"]["serial"],
            one["unit"]["lot"] or "-",
            f"{one['stick']} {one['axis']}",
            one["finding"],
            one["source"],
            _part(one["capacitance_f"]),
            figure(one["predicted_counts"], 2),
            figure(one["measured_counts"], 2),
            figure(one["residual_counts"], 2),
        ]
        for one in found
    ]
    return table("Mean peaks in counts", headers, rows, left=6)


def estimates_table(found: Sequence[Document]) -> Any:
    """What the ledger taught."""
    headers = ["product", "lot", "version", "used", "retests", "track ohm", "tolerance"]
    rows = [
        [
            one["key"]["product"],
            f"{one['key']['lot'] or 'all'}{' (emulated)' if one['key']['emulated'] else ''}",
            str(one["version"]),
            "yes" if one["used"] else "no",
            str(one["retests"]),
            figure(one["ohm"], 0),
            f"{100.0 * one['tolerance']:.1f} %",
        ]
        for one in found
    ]
    return table("Effective track", headers, rows, left=4)


def lot_lines(one: Document) -> list[Any]:
    """The production planner's answer."""
    headers = ["part", "passing", "share", "95 % interval", "expected", "lag ms", "largest"]
    rows = [
        [
            f"{'>' if one['best'] and value['capacitance_f'] == one['best']['capacitance_f'] else ' '} {_part(value['capacitance_f'])}",
            f"{value['passing']} of {one['sticks']}",
            f"{100.0 * value['share']:.0f} %",
            f"{100.0 * value['share_low']:.0f} to {100.0 * value['share_high']:.0f} %",
            f"{100.0 * value['expected_share']:.0f} %",
            figure(value["added_lag_s"]["mean"], 2, 1e3),
            figure(value["added_lag_s"]["max"], 2, 1e3),
        ]
        for value in one["values"]
    ]
    rests_on = one["rests_on"]
    head = [f"Lot {rests_on['lot']} of {rests_on['product']}: {one['in_words']}", rests_on["in_words"]]
    return [*head, *([table("", headers, rows)] if rows else [])]


def _part(farads: float) -> str:
    from station.axis.markings import pretty

    return pretty(farads)
