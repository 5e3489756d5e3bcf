"""A yield report for people."""

from collections.abc import Sequence
from typing import Any, Final

from api.cli.output import figure, table
from api.cli.records import Document

CAUSES_SHOWN: Final = 10
NAMES: Final = ("product", "specification", "lot", "rig", "operator", "station")


def report_lines(report: Document) -> list[Any]:
    """Everything `restpoint yield` shows."""
    total, asked = report["total"], report["asked"]
    lines: list[Any] = [f"Yield of {report['station']}, {_days(asked)}, {_which(asked)}; days of {report['zone']}", *_totals(report, total)]
    if report["rows"]:
        lines.append(_rows(f"By {asked['split']}", [*report["rows"], {**total, "label": "all together"}]))
    causes = report["causes"]
    lines.append(_causes(causes[:CAUSES_SHOWN]) if causes else "Causes: no failed run.")
    if len(causes) > CAUSES_SHOWN:
        lines.append(f"{len(causes) - CAUSES_SHOWN} more causes: --json has them all.")
    if report["capability"]:
        lines.append(_capability(report["capability"]))
    return [*lines, _rework(report["rework"])]


def share_words(share: Document) -> str:
    """97.1 % (95.0 to 98.4): the share with its interval."""
    return "-" if share["value"] is None else f"{_percent(share['value'])} % ({_percent(share['low'])} to {_percent(share['high'])})"


def _totals(report: Document, total: Document) -> list[str]:
    rolled = {"value": total["rolled"], "low": total["rolled_low"], "high": total["rolled_high"]}
    apart = "" if report["asked"]["emulated"] else f"; {report['emulated_runs']} emulated runs counted apart"
    return [
        f"  first pass {share_words(total['first_pass'])}, {total['first_pass']['count']} of {total['units']} units",
        f"  final      {share_words(total['final'])}, {total['final']['count']} of {total['units']} units",
        f"  rolled     {share_words(rolled)}, all groups; intervals are of 95 %",
        f"  {total['runs']} runs: {total['decided']} decided ({total['retests']} retests), {total['undecided']} undecided, "
        f"{total['invalid']} invalid{apart}",
    ]


def _rows(title: str, rows: Sequence[Document]) -> Any:
    headers = [title.lower(), "units", "first pass, 95 %", "final", "rolled", "runs", "undecided", "invalid", "retests", "scrapped"]
    shown = [
        [
            row["label"] or "-",
            str(row["units"]),
            share_words(row["first_pass"]),
            _percent(row["final"]["value"]),
            _percent(row["rolled"]),
            *(str(row[name]) for name in ("runs", "undecided", "invalid", "retests", "scrapped")),
        ]
        for row in rows
    ]
    return table(f"{title}; yields in per cent", headers, shown)


def _causes(causes: Sequence[Document]) -> Any:
    headers = ["reason", "group or axis", "lot", "failed runs", "units", "share %", "cumulative %"]
    shown = [
        [one["code"], one["part"], one["lot"], str(one["runs"]), str(one["units"]), _percent(one["share"]), _percent(one["cumulative"])]
        for one in causes
    ]
    return table("Causes", headers, shown, left=3)


def _capability(rows: Sequence[Document]) -> Any:
    headers = ["product", "lot", "figure", "unit", "units", "mean", "sd", "lower", "upper", "cpk", "95 %"]
    shown = [
        [
            row["product"],
            row["lot"] or "all",
            row["figure"],
            row["unit"],
            str(row["count"]),
            *(_few(row[name]) for name in ("mean", "sd", "lower", "upper")),
            figure(row["cpk"], 2),
            "-" if row["low"] is None else f"{figure(row['low'], 2)} to {figure(row['high'], 2)}",
        ]
        for row in rows
    ]
    return table("Capability", headers, shown, left=4)


def _rework(loop: Document) -> str:
    tries = ", ".join(f"{count} after {number}" for number, count in loop["tries"].items())
    closed = f"{loop['closed']} closed" + (f" (by tries: {tries})" if tries else "")
    ended = f"{loop['scrapped']} scrapped, {loop['withdrawn']} withdrawn"
    return f"Rework orders begun: {loop['begun']}, of which {loop['active']} active, {closed}, {ended}"


def _days(asked: Document) -> str:
    first, last = asked["first_day"], asked["last_day"]
    if first == last:
        return first or "all days"
    return f"from {first or 'the first day'} to {last or 'today'}"


def _which(asked: Document) -> str:
    named = [f"{name} {asked[name]}" for name in NAMES if asked[name]]
    return ", ".join([*named, "emulated runs" if asked["emulated"] else "real runs"])


def _percent(share: float | None) -> str:
    return figure(share, 1, 100.0)


def _few(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
