"""Where the runs behind a figure are listed: the query of that page, made from what the report was asked."""

from collections.abc import Mapping
from datetime import date
from typing import Final
from urllib.parse import urlencode

from station.ports.yields import NO_NAME, Behind
from station.yields import Asked, Split

FIGURES: Final[Mapping[str, Behind]] = {
    "units": Behind.UNITS,
    "first_pass": Behind.FIRST_PASSED,
    "first_fail": Behind.FIRST_FAILED,
    "final": Behind.FINAL_PASSED,
    "final_fail": Behind.FINAL_FAILED,
    "runs": Behind.RUNS,
    "decided": Behind.DECIDED,
    "undecided": Behind.UNDECIDED,
    "invalid": Behind.INVALID,
    "retests": Behind.RETESTS,
    "scrapped": Behind.SCRAPPED,
}
"""Figures of a yield row by name; first_fail and final_fail are what is missing from the shares."""


def query_of(asked: Asked) -> dict[str, str]:
    """What was asked as parameters, without those that ask for all."""
    found: dict[str, str] = {}
    for name in ("first_day", "last_day", "product", "specification", "lot", "rig", "operator", "station"):
        value = getattr(asked, name)
        if value:
            found[name] = value.isoformat() if isinstance(value, date) else value
    if asked.emulated:
        found["emulated"] = "true"
    return found


def row_links(asked: Asked, label: str) -> dict[str, str]:
    """By the figure's name. label: of the row, "" of the total. A group's row has none: its runs are those of the total."""
    if label and asked.split is Split.GROUP:
        return {}
    row = {"split": asked.split.value, "label": label} if label else {}
    which = urlencode({**query_of(asked), **row})
    before = f"{which}&" if which else ""
    return {name: f"{before}figure={figure.value}" for name, figure in FIGURES.items()}


def cause_link(asked: Asked, code: str, part: str, lot: str, by_lot: bool = False) -> str:
    """Runs that failed for this cause. by_lot: causes are told apart by lot, so that "" stands for runs that name none."""
    narrowed = {"lot": lot} if lot else {"split": Split.LOT.value, "label": NO_NAME} if by_lot else {}
    reason = f"{code}:{part}" if part else code
    return urlencode({**query_of(asked), **narrowed, "figure": Behind.FAILED.value, "reason": reason})
