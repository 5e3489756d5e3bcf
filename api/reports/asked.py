"""What a report was asked for, in words."""

from datetime import date

from api.reports.printed import moment
from station.yields import Asked, Split, YieldReport

SPLITS = {
    Split.NONE: "not divided",
    Split.DAY: "by day",
    Split.SHIFT: "by shift",
    Split.PRODUCT: "by product",
    Split.SPECIFICATION: "by specification revision",
    Split.LOT: "by lot",
    Split.RIG: "by rig",
    Split.GROUP: "by group",
    Split.OPERATOR: "by operator",
}
NAMED = ("product", "specification", "lot", "rig", "operator", "station")


def asked_words(asked: Asked) -> list[str]:
    """One phrase for each thing that was asked, the days first."""
    named = [f"{name} {getattr(asked, name)}" for name in NAMED if getattr(asked, name)]
    runs = "emulated runs alone" if asked.emulated else "real runs"
    return [days(asked.first_day, asked.last_day), *named, runs, SPLITS[asked.split]]


def days(first: date | None, last: date | None) -> str:
    """The stretch of days, both included."""
    if first is None and last is None:
        return "all days"
    if first == last:
        return f"{first}"
    if first is None:
        return f"up to {last}"
    return f"from {first}" if last is None else f"{first} to {last}"


def about(report: YieldReport) -> list[tuple[str, str]]:
    """The report itself, as words with their meaning."""
    apart = [] if report.asked.emulated else [("emulated runs, counted apart", f"{report.emulated_runs}")]
    return [
        ("report", "Yield"),
        ("station", report.station),
        ("asked", ", ".join(asked_words(report.asked))),
        ("made at", moment(report.made_at, report.zone)),
        *apart,
    ]
