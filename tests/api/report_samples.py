"""Reports to be put on paper: plausible, empty, huge and hostile ones. Run as a module it prints the digest of every document of them."""

import hashlib
import random
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta

import numpy as np

from api.reports.certificate import certificate_pdf
from api.reports.delimited import Dialect
from api.reports.documents import failed_json, failed_lines, yield_json
from api.reports.failed import failed_csv, failed_xlsx
from api.reports.unit_page import unit_pdf
from api.reports.words import (
    AdviceLine,
    FigureCell,
    FigureRow,
    FlickTrace,
    GroupLine,
    NewestRun,
    Reason,
    RunLine,
    StickReport,
    StickTrace,
    UnitReport,
)
from api.reports.yield_page import yield_pdf
from api.reports.yields import yield_csv, yield_xlsx
from station.proof import Calibration
from station.prove.calibration_figures import Measured
from station.prove.calibration_limits import CalibrationLimits
from station.prove.calibration_rules import DIRECTION, WHOLE, Rule
from station.quantities import GROUPS
from station.yields import Asked, CapabilityRow, Cause, FailedUnit, ReworkLoop, Share, Split, YieldReport, YieldRow

MADE_AT = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)
ZONE = "Europe/Berlin"
NEWEST = date(2026, 11, 24)
HOSTILE = (
    '=HYPERLINK("//x","y")',
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    'say "so", then; go',
    "two\r\nlines",
    "ДН-0001 Ωmega",
    "工場-7",
    "r" * 300,
    "http://a.example/b",
    "0012",
    "1e5",
)
PEAKS = {"x+": 31.0, "x-": 12.0, "y+": 12.0, "y-": 14.0}


def share(count: int, of: int) -> Share:
    """With an interval that is only plausible."""
    if of == 0:
        return Share(0, 0, None, None, None)
    value = count / of
    return Share(count, of, value, max(0.0, value - 0.09), min(1.0, value + 0.04))


def yield_row(label: str, units: int, passed: int) -> YieldRow:
    rolled = passed / units * 0.96 if units else None
    return YieldRow(
        label,
        units,
        share(passed, units),
        share(min(units, passed + 1), units),
        rolled,
        None if rolled is None else rolled - 0.05,
        None if rolled is None else rolled + 0.02,
        units + 6,
        units + 2,
        3,
        1,
        2,
        1,
    )


def labels(count: int, split: Split) -> list[str]:
    """Oldest first."""
    if split is Split.DAY:
        return [f"{NEWEST - timedelta(days=count - 1 - index)}" for index in range(count)]
    if split is Split.SHIFT:
        return [f"{NEWEST - timedelta(days=(count - 1 - index) // 3)} {(6, 14, 22)[index % 3]:02}:00" for index in range(count)]
    return [f"ML-{2600 + index}" for index in range(count)]


def yield_report(count: int = 14, split: Split = Split.DAY, causes: int = 9, emulated: bool = False, station: str = "") -> YieldReport:
    """So many rows and causes."""
    rng = random.Random(6)
    numbers = [(label, units := rng.randint(20, 60), units - rng.randint(0, 6)) for label in labels(count, split)]
    rows = tuple(yield_row(*one) for one in numbers)
    total = yield_row("", sum(units for _, units, _ in numbers), sum(passed for _, _, passed in numbers))
    asked = Asked(date(2026, 11, 11), NEWEST, "dunlin-2", split=split, emulated=emulated)
    loop = ReworkLoop(14, 3, 10, 1, 0, {1: 7, 2: 3})
    where = station or "Mossgate bench"
    return YieldReport(asked, where, ZONE, MADE_AT, total, rows, cause_lines(causes), capability_rows(), loop, 12)


def cause_lines(count: int) -> tuple[Cause, ...]:
    codes = [f"{code}:{part}" for code in ("snapback", "sluggish", "dull", "slow-settle") for part in GROUPS][:count]
    mentions = [2 * (count - index) for index in range(count)]
    running, found = 0, []
    for code, number in zip(codes, mentions, strict=True):
        running += number
        name, _, part = code.partition(":")
        found.append(Cause(name, part, "", number, number, number / sum(mentions), running / sum(mentions), f"/runs?reason={code}"))
    return tuple(found)


def capability_rows() -> tuple[CapabilityRow, ...]:
    return (
        CapabilityRow("dunlin-2", "", "peak_counts", "counts", 523, 15.21, 1.911, None, 22.0, 1.184, 1.102, 1.266),
        CapabilityRow("dunlin-2", "ML-2607", "reach_counts", "counts", 211, 76.8, 1.1, 69.0, 85.0, 2.36, 2.13, 2.59),
        CapabilityRow("dunlin-2", "ML-2607", "rest_shift_counts", "counts", 1, -0.25, float("nan"), -2.0, 2.0, None, None, None),
    )


def empty_report() -> YieldReport:
    none = Share(0, 0, None, None, None)
    total = YieldRow("", 0, none, none, None, None, None, 0, 0, 0, 0, 0, 0)
    return YieldReport(Asked(), "Mossgate bench", ZONE, MADE_AT, total, (), (), (), ReworkLoop(0, 0, 0, 0, 0), 0)


def hostile_report() -> YieldReport:
    """Every text is one that could do harm or break out of its place."""
    rows = tuple(yield_row(text, 40, 36) for text in HOSTILE)
    causes = tuple(Cause(text, text, text, 3, 3, 1 / 14, (index + 1) / 14, text) for index, text in enumerate(HOSTILE))
    capability = tuple(CapabilityRow(text, text, text, text, 9, -1e-9, 1e12, -1.5, None, -0.3, -0.9, 0.2) for text in HOSTILE)
    asked = Asked(product=HOSTILE[0], lot=HOSTILE[8], rig=HOSTILE[9], operator=HOSTILE[10], split=Split.LOT)
    loop = ReworkLoop(9, 9, 0, 0, 0, {})
    return YieldReport(asked, HOSTILE[10], ZONE, MADE_AT, yield_row("", 560, 504), rows, causes, capability, loop, 0)


def failed_units(count: int) -> Iterator[FailedUnit]:
    """Newest first, one by one."""
    for index in range(count):
        ended_at = MADE_AT - timedelta(minutes=index, milliseconds=137)
        order, state = (index, "open") if index % 3 else (0, "")
        reasons = ("snapback:x+", "dull:y") if index % 2 else ("sluggish:x-",)
        yield FailedUnit(
            f"DN-{index:05}", "dunlin-2", "ML-2607", count - index, ended_at, "Mossgate bench", "a", "dunlin-2 A", reasons, order, state
        )


def hostile_units() -> Iterator[FailedUnit]:
    for index, text in enumerate(HOSTILE):
        yield FailedUnit(text, text, text, 100 - index, MADE_AT, text, text, text, (text, text), index, text)


def swing(group: str, peak_counts: float, seed: int) -> FlickTrace:
    """Held at 77 counts, let go at 0 s: a damped swing of 20 ms that turns on the far side at exactly -peak_counts, with some noise."""
    rng = np.random.default_rng(seed)
    t_s = -0.01 + np.arange(380) / 4000.0
    after, around, decay = np.clip(t_s, 0.0, None), 2.0 * np.pi / 0.02, np.log(77.0 / peak_counts) / 0.01
    level = 77.0 * np.exp(-decay * after) * (np.cos(around * after) + decay / around * np.sin(around * after))
    level += rng.normal(0.0, 0.3, len(t_s))
    return FlickTrace(group, -0.01, 1.0 / 4000.0, level, bool(level.min() < -22.0))


def recording() -> StickTrace:
    flicks = [swing(group, PEAKS[group], index) for index, group in enumerate(GROUPS * 6)]
    x, y = np.zeros(24 * 2000), np.zeros(24 * 2000)
    for index, flick in enumerate(flicks):
        axis, sign = (x if flick.group[0] == "x" else y), (1.0 if flick.group[1] == "+" else -1.0)
        axis[2000 * index + 500 : 2000 * index + 880] = sign * flick.deflection_counts
    x[1234] = np.nan
    return StickTrace(4000.0, 0.0, x, y)


def stick_report(name: str = "main") -> StickReport:
    def row(label: str, unit: str, limit: str, values: tuple[str, ...], broken: str = "") -> FigureRow:
        cells = {
            group: FigureCell(value, "± 0.12", "broken" if group == broken else "met", group == broken)
            for group, value in zip(GROUPS, values, strict=True)
        }
        return FigureRow(label, unit, limit, cells)

    return StickReport(
        name,
        "fail",
        22.0,
        tuple(GroupLine(group, "fail" if group == "x+" else "pass", 24, 2 if group == "x+" else 24) for group in GROUPS),
        (
            row("Peak", "counts", "beyond 22: good with 0.1 % of flicks, bad with 2.5 %", ("31.02", "12.11", "11.90", "14.01"), "x+"),
            row("Return time", "ms", "at most 12", ("4.31", "4.20", "4.42", "4.30")),
        ),
        (FigureRow("Rest", "counts", "128 ± 8", {"x": FigureCell("128.10", "± 0.05", "met"), "y": FigureCell("127.60", "± 0.05", "met")}),),
        recording(),
        tuple(swing(group, PEAKS[group], index) for index, group in enumerate(GROUPS * 5)),
    )


def unit_report(serial: str = "DN-0002", runs: int = 5, sticks: tuple[str, ...] = ("main",)) -> UnitReport:
    lines = tuple(
        RunLine(
            700 - index, MADE_AT - timedelta(hours=index), "a", "dunlin-2 A", "ann", index == 1, verdict, ("snapback:x+",) * (index == 0)
        )
        for index, verdict in zip(range(runs), ("fail", "undecided", "invalid", "pass", "") * (1 + runs // 5), strict=False)
    )
    newest = NewestRun(
        lines[0],
        "RP-0001",
        "1.4.0",
        "0.1.0",
        "C-12",
        "x+ failed after 2 flicks.",
        (Reason("snapback:x+", "group x+: Too many flicks swing beyond the neutral zone on the far side."),),
        {"main x": "none", "main y": "0.33 µF"},
        tuple(stick_report(name) for name in sticks),
    )
    advice = (AdviceLine("main", "x", "none", "0.47 µF (474)", "smallest part that meets the limits"),)
    cautions = ("Switch off, disconnect and remove batteries first; let charged parts discharge.",)
    return UnitReport(serial, "dunlin-2", "ML-2607", "Mossgate bench", ZONE, MADE_AT, MADE_AT, lines, newest, advice, cautions)


def untested_unit(serial: str) -> UnitReport:
    return UnitReport(serial, "dunlin-2", "", "Mossgate bench", ZONE, MADE_AT, MADE_AT)


def calibration(problems: tuple[str, ...] = ()) -> Calibration:
    """A document as station.prove.calibration writes it, with values that lie at the middle of their limits."""
    limits = CalibrationLimits()

    def figure(rule: Rule) -> dict[str, object]:
        most = float(getattr(limits, rule.most)) if rule.most else None
        least = float(getattr(limits, rule.least)) if rule.least else 0.0
        value = 12.5 if most is None and not rule.least else least * 1.01 if most is None else (least + most) / 2.0
        measured = Measured(1e-8, 1e-9) if rule.inverse else Measured(value, abs(value) / 400.0)
        return {"label": rule.label, **rule.figure_of(measured, limits).document()}

    rng = random.Random(2)
    angles = [10.0 + 0.5 * index for index in range(60)]
    document = {
        "format": "restpoint-calibration/1",
        "directions": {group: {rule.figure: figure(rule) for rule in DIRECTION} for group in GROUPS},
        "rig": {rule.figure: figure(rule) for rule in WHOLE},
        "ills": [],
        "residuals": {
            group: {"angle_deg": angles, "residual": [rng.gauss(0.0, 0.002) for _ in angles], "sweep": [1] * 60} for group in GROUPS
        },
        "plan": {},
        "limits": {"valid_days": 90.0},
        "steps": [
            {"name": "sampler", "by": "ann", "at": "2026-11-25T07:30:00+00:00"},
            {"name": "clock", "by": "ben", "at": "2026-11-25T08:20:00+00:00"},
        ],
    }
    until = MADE_AT + timedelta(days=90)
    return Calibration(12, 40, "Mossgate bench", "a", "RP-0001", False, "1.4.0", problems, document, "ann", MADE_AT, until, 500_000)


PAPERS: dict[str, Callable[[], bytes]] = {
    "yield by day": lambda: yield_pdf(yield_report()),
    "yield by shift, many": lambda: yield_pdf(yield_report(400, Split.SHIFT)),
    "yield by lot": lambda: yield_pdf(yield_report(9, Split.LOT)),
    "yield of nothing": lambda: yield_pdf(empty_report()),
    "yield, hostile": lambda: yield_pdf(hostile_report()),
    "unit": lambda: unit_pdf(unit_report(runs=30)),
    "unit of two sticks": lambda: unit_pdf(unit_report(sticks=("left", "right"))),
    "unit, hostile": lambda: unit_pdf(untested_unit("".join(HOSTILE))),
    "calibration": lambda: certificate_pdf(calibration(), ZONE),
    "calibration, not accepted": lambda: certificate_pdf(calibration(("backlash of x+ is too large.",)), ZONE),
}
FILES: dict[str, Callable[[], bytes]] = {
    "yield.xlsx": lambda: b"".join(yield_xlsx(yield_report())),
    "yield.csv": lambda: b"".join(yield_csv(yield_report())),
    "yield.json": lambda: yield_json(yield_report()),
    "failed.csv": lambda: b"".join(failed_csv(failed_units(50), Dialect.SEMICOLON)),
    "failed.xlsx": lambda: b"".join(failed_xlsx(failed_units(50), MADE_AT)),
    "failed.json": lambda: b"".join(failed_json(failed_units(50), {"lot": "ML-2607"})),
    "failed.jsonl": lambda: b"".join(failed_lines(failed_units(50))),
}


def digests() -> dict[str, str]:
    """Of every document, by name."""
    return {name: hashlib.sha256(make()).hexdigest() for name, make in {**PAPERS, **FILES}.items()}


if __name__ == "__main__":
    for name, digest in digests().items():
        print(digest, name)
