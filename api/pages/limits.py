"""Each measured figure beside its limit, for the page of one run. Nothing is judged here: the score's own checks say how each stands."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from api.pages import show
from db.rows import StickDetail
from station.measure.catalogue import METRICS
from station.specification import Specification

COVERAGE_FACTOR: Final = 2.0  # expanded uncertainty as everywhere here, k = 2 (JCGM 100:2008, 6.3.3)

LABELS: Final[Mapping[str, str]] = {
    "peak_counts": "Peak",
    "return_s": "Return time",
    "settle_s": "Settle time",
    "reach_counts": "Reach",
    "rest_shift_counts": "Rest shift",
    "cross_axis_counts": "Cross-axis",
    "added_lag_s": "Added lag",
    "motion_noise_counts": "Noise in motion",
    "rest_error_counts": "Rest",
    "noise_counts": "Noise at rest",
}
_ANCHORS: Final[Mapping[str, str]] = {"rest_error_counts": "rest_counts"}


@dataclass(frozen=True, slots=True)
class Cell:
    """One figure of one group or axis. uncertainty: expanded, empty when not known. note: more about it, or empty.

    standing: met, doubtful, broken or unknown; for peaks the verdict of the group's plan.
    calls: a person should look.
    """

    value: str
    uncertainty: str
    standing: str
    calls: bool
    note: str = ""


@dataclass(slots=True)
class LimitRow:
    """One metric. anchor: of its definition. cells: by group or axis."""

    anchor: str
    label: str
    unit: str
    limit: str
    cells: dict[str, Cell] = field(default_factory=dict)


def group_rows(stick: StickDetail, specification: Specification) -> list[LimitRow]:
    """Peaks first, then every limit that the groups were held against, a cell per group."""
    rows = {"peak_counts": _peak_row(stick, specification)}
    for group, document in stick.groups.items():
        for check in document.get("limits", ()):
            row = rows.setdefault(check["name"], _row_for(check, specification))
            row.cells[group] = _cell(check, document.get(check["name"]))
    return list(rows.values())


def axis_rows(stick: StickDetail, specification: Specification) -> list[LimitRow]:
    """Rest and noise, a cell per axis."""
    rows: dict[str, LimitRow] = {}
    rest = stick.figures.get("rest_counts") or {}
    for axis, checks in (stick.figures.get("limits") or {}).items():
        for check in checks:
            level = rest.get(axis) if check["name"] == "rest_error_counts" else None
            rows.setdefault(check["name"], _row_for(check, specification)).cells[axis] = _cell(check, level)
    return list(rows.values())


def _peak_row(stick: StickDetail, specification: Specification) -> LimitRow:
    decision, zone = specification.decision, specification.host.neutral_zone_counts
    good, bad = show.percent(decision.over_share_good), show.percent(decision.over_share_bad)
    row = LimitRow("peak_counts", LABELS["peak_counts"], "counts", f"beyond {zone:g}: good with {good} of flicks, bad with {bad}")
    for group, document in stick.groups.items():
        peak = document.get("peak_counts") or {}
        standing = str((document.get("decision") or {}).get("verdict", ""))
        note = f"sd {show.figure(peak.get('sd'))}, largest {show.figure(peak.get('max'))}"
        if standing == "undecided" and stick.verdict == "fail":
            standing = "not decided"
        calls = standing == "fail" or (standing == "undecided" and stick.verdict == "undecided")
        row.cells[group] = _measured(peak.get("mean"), peak.get("u"), 1.0, standing, calls, note)
    return row


def _row_for(check: Mapping[str, Any], specification: Specification) -> LimitRow:
    name, unit = check["name"], check["unit"]
    nominal = "rest_counts" if name == "rest_error_counts" else METRICS[name].nominal if name in METRICS else ""
    bound = f"{check['limit'] * _scale(unit):g}"
    limit = f"{getattr(specification.stick, nominal):g} ± {bound}" if nominal else f"at most {bound}"
    either = " either way" if name in METRICS and METRICS[name].size else ""
    return LimitRow(_ANCHORS.get(name, name), LABELS.get(name, name), "ms" if unit == "s" else unit, limit + either)


def _cell(check: Mapping[str, Any], level: float | None) -> Cell:
    calls = check["standing"] in ("broken", "doubtful")
    if check["name"] == "added_lag_s" and check["value"] == 0.0:
        return Cell("0", "", check["standing"], calls, "no part fitted")
    return _measured(check["value"] if level is None else level, check["u"], _scale(check["unit"]), check["standing"], calls)


def _measured(value: float | None, u: float | None, scale: float, standing: str, calls: bool, note: str = "") -> Cell:
    expanded = None if u is None else COVERAGE_FACTOR * u * scale
    shown = None if value is None else value * scale
    return Cell(show.figure(shown, show.decimals_for(expanded)), show.plus_minus(expanded), standing, calls, note)


def _scale(unit: str) -> float:
    return 1e3 if unit == "s" else 1.0
