"""The yield report as PDF: always one page. What does not find room is counted and pointed to."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.reports.asked import asked_words
from api.reports.chosen import chosen
from api.reports.definitions import YIELD
from api.reports.grid import HEADER, ROW, Cell, Lane, draw_grid, rows_within
from api.reports.printed import NOTHING, between, counted, figure, moment, of_all, percent, rounded
from api.reports.sheet import FOOT, INK, INNER, LINE, MARGIN, MUTED, RIGHT, Sheet, wrapped
from api.reports.yield_charts import draw_causes, draw_yield_chart
from station.yields import CapabilityRow, ReworkLoop, Share, YieldReport, YieldRow

TOP: Final = 138.0  # where the charts begin
CHART_LEAST: Final = 138.0
CHART_MOST: Final = 250.0
CAPABILITY_MOST: Final = 10
SMALL: Final = 6.4
SMALL_LINE: Final = 7.6
SECTION: Final = 16.0  # title of a table
NOTE: Final = 9.0  # line below a table
REWORK: Final = 26.0  # the line about rework, with room around it
YIELD_LANES: Final = (
    Lane("", 92.0, right=False),
    Lane("Units", 34.0),
    Lane("Passed first", 60.0),
    Lane("First", 38.0),
    Lane("95 % interval", 64.0),
    Lane("Final", 38.0),
    Lane("Rolled", 38.0),
    Lane("Runs", 30.0),
    Lane("Undec.", 32.0),
    Lane("Invalid", 28.0),
    Lane("Retests", 30.0),
    Lane("Scrap", 31.28),
)
CAPABILITY_LANES: Final = (
    Lane("Product", 76.0, right=False),
    Lane("Lot", 60.0, right=False),
    Lane("Figure", 84.0, right=False),
    Lane("Unit", 34.0, right=False),
    Lane("Count", 34.0),
    Lane("Mean", 44.0),
    Lane("SD", 40.0),
    Lane("Limits", 64.0),
    Lane("Cpk", 30.0),
    Lane("95 % interval", 49.28),
)


@dataclass(frozen=True, slots=True)
class Plan:
    """How the page is divided: height of the charts, rows of either table."""

    chart: float
    rows: int
    capability: int


def yield_pdf(report: YieldReport) -> bytes:
    """One page A4."""
    sheet = Sheet(f"Yield of {report.station}", ", ".join(asked_words(report.asked)), report.made_at, _foot(report))
    small = _small_print()
    top_of_small = FOOT - 16.0 - SMALL_LINE * max(len(column) for column in small)
    plan = _plan(report, top_of_small - TOP)
    _head(sheet, report)
    _totals(sheet, report)
    half = 0.545 * INNER
    draw_yield_chart(sheet, report, (MARGIN, TOP, half, plan.chart))
    draw_causes(sheet, report.causes, (MARGIN + half + 18.0, TOP, INNER - half - 18.0, plan.chart))
    y = _yield_table(sheet, report, TOP + plan.chart + 8.0, plan.rows)
    _capability_table(sheet, report.capability, y + 6.0, plan.capability)
    sheet.text(MARGIN, top_of_small - 15.0, "Rework", 8.0, True)
    sheet.text(MARGIN + 34.0, top_of_small - 15.0, rework_words(report.rework), 8.0, room=INNER - 34.0)
    _draw_small_print(sheet, small, top_of_small)
    return sheet.bytes()


def _foot(report: YieldReport) -> str:
    return f"Restpoint · yield of {report.station} · made {moment(report.made_at, report.zone)}"


def _plan(report: YieldReport, room: float) -> Plan:
    """Tables first, then charts as high as is left; rows are cut before charts become too small."""
    fixed = 8.0 + 6.0 + 2 * SECTION + 2 * NOTE + 2 * HEADER + REWORK
    room -= fixed
    capability = min(len(report.capability), CAPABILITY_MOST)
    rows = min(len(report.rows), rows_within(room - CHART_LEAST - ROW * (capability + 1) + HEADER))
    chart = room - ROW * (rows + 1 + max(1, capability))
    return Plan(min(CHART_MOST, max(CHART_LEAST, chart)), rows, capability)


def _head(sheet: Sheet, report: YieldReport) -> None:
    sheet.text(MARGIN, 54.0, "Yield", 22.0, True)
    sheet.text(RIGHT, 44.0, report.station, 11.0, True, align="right", room=0.6 * INNER)
    sheet.text(RIGHT, 55.0, f"made {moment(report.made_at, report.zone)}", 8.0, colour=MUTED, align="right")
    asked = " · ".join(asked_words(report.asked))
    sheet.text(MARGIN, 69.0, asked, 9.0, room=INNER)
    sheet.line(MARGIN, 75.0, RIGHT, 75.0, INK, 0.8)
    if report.asked.emulated:
        sheet.text(MARGIN + 62.0, 54.0, "EMULATED RUNS: says nothing of real units", 9.0, True)


def _totals(sheet: Sheet, report: YieldReport) -> None:
    total, tile = report.total, INNER / 4.0
    _tile(sheet, MARGIN, "First-pass yield", total.first_pass)
    _tile(sheet, MARGIN + tile, "Final yield", total.final)
    rolled = Share(0, 0, total.rolled, total.rolled_low, total.rolled_high)
    _tile(sheet, MARGIN + 2 * tile, "Rolled yield of all groups", rolled)
    x, y = MARGIN + 3 * tile, 87.0
    sheet.text(x, y, "Runs", 8.0, True, MUTED)
    lines = (
        f"{total.runs:,}: {total.decided:,} decided",
        f"{total.undecided:,} undecided, {total.invalid:,} invalid",
        f"{counted(total.units, 'unit')}, {counted(total.retests, 'retest')}",
        *([] if report.asked.emulated else [f"{counted(report.emulated_runs, 'emulated run')} counted apart"]),
    )
    for index, line in enumerate(lines):
        sheet.text(x, y + 10.5 + 9.2 * index, line, 7.5, room=tile)


def _tile(sheet: Sheet, x: float, title: str, share: Share) -> None:
    room = INNER / 4.0 - 8.0
    sheet.text(x, 87.0, title, 8.0, True, MUTED)
    taken = sheet.text(x, 108.0, percent(share.value), 20.0, True)
    behind = of_all(share) if share.of else ""
    sheet.text(x + taken + 5.0, 108.0, behind, 7.5, colour=MUTED, room=max(1.0, room - taken - 5.0))
    told = "no decided run to tell" if share.value is None else f"95 % interval {between(share.low, share.high)}"
    sheet.text(x, 120.0, told, 8.0, room=room)


def _yield_table(sheet: Sheet, report: YieldReport, y: float, count: int) -> float:
    rows = chosen(report, count)
    sheet.text(MARGIN, y + 8.0, f"Rows {asked_words(report.asked)[-1]}", 9.0, True)
    y = draw_grid(sheet, MARGIN, y + SECTION - 3.0, YIELD_LANES, [_yield_row(report.total, True), *(_yield_row(row) for row in rows)])
    more = len(report.rows) - len(rows)
    if more:
        sheet.text(MARGIN, y + NOTE - 1.0, f"{counted(more, 'more row')} in the XLSX", 7.5, colour=MUTED)
    return y + NOTE


def _yield_row(row: YieldRow, total: bool = False) -> list[Cell]:
    words = (
        "all together" if total else row.label or "none named",
        f"{row.units:,}",
        of_all(row.first_pass),
        percent(row.first_pass.value),
        between(row.first_pass.low, row.first_pass.high),
        percent(row.final.value),
        percent(row.rolled),
        f"{row.runs:,}",
        f"{row.undecided:,}",
        f"{row.invalid:,}",
        f"{row.retests:,}",
        f"{row.scrapped:,}",
    )
    return [Cell(word, total) for word in words]


def _capability_table(sheet: Sheet, rows: Sequence[CapabilityRow], y: float, count: int) -> None:
    sheet.text(MARGIN, y + 8.0, "Capability", 9.0, True)
    if not rows:
        sheet.text(MARGIN + 50.0, y + 8.0, "too few decided runs, or none, to say it of", 8.0, colour=MUTED)
        return
    shown = sorted(rows, key=lambda row: (row.cpk is None, row.cpk or 0.0))[:count] if len(rows) > count else rows
    y = draw_grid(sheet, MARGIN, y + SECTION - 3.0, CAPABILITY_LANES, [_capability_row(row) for row in shown])
    more = len(rows) - len(shown)
    if more:
        sheet.text(MARGIN, y + NOTE - 1.0, f"the lowest; {counted(more, 'more row')} in the XLSX", 7.5, colour=MUTED)


def _capability_row(row: CapabilityRow) -> list[str]:
    interval = NOTHING if row.low is None or row.high is None else f"{rounded(row.low, 2)} to {rounded(row.high, 2)}"
    return [
        row.product,
        row.lot or "all",
        row.figure,
        row.unit,
        f"{row.count:,}",
        figure(row.mean),
        figure(row.sd, 3),
        _limits(row),
        rounded(row.cpk, 2),
        interval,
    ]


def _limits(row: CapabilityRow) -> str:
    lower, upper = (None if limit is None else f"{limit:g}".replace("-", "−") for limit in (row.lower, row.upper))
    if lower is not None and upper is not None:
        return f"{lower} to {upper}"
    return f"≤ {upper}" if upper is not None else NOTHING if lower is None else f"≥ {lower}"


def rework_words(loop: ReworkLoop) -> str:
    """The rework loop in one sentence."""
    tries = ", ".join(f"{count:,} after {counted(number, 'try', 'tries')}" for number, count in sorted(loop.tries.items()))
    closed = f"{loop.closed:,} closed" + (f" ({tries})" if tries else "")
    begun = f"{counted(loop.begun, 'order')} begun"
    return f"{begun}: {loop.active:,} active, {closed}, {loop.scrapped:,} scrapped, {loop.withdrawn:,} withdrawn."


def _small_print() -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Definitions broken into lines, in two columns: the bold word (of a first line) and the text behind it."""
    room, lines = INNER / 2.0 - 8.0, []
    for word, meaning in YIELD:
        first, *rest = wrapped(f"{word}: {meaning}", room - 6.0, SMALL)
        lines += [(word, first[len(word) :]), *(("", line) for line in rest)]
    half = (len(lines) + 1) // 2
    while half < len(lines) and not lines[half][0]:
        half += 1
    return lines[:half], lines[half:]


def _draw_small_print(sheet: Sheet, columns: Sequence[Sequence[tuple[str, str]]], y: float) -> None:
    sheet.line(MARGIN, y - 8.0, RIGHT, y - 8.0, LINE, 0.4)
    for index, column in enumerate(columns):
        x = MARGIN + index * (INNER / 2.0 + 4.0)
        for row, (word, text) in enumerate(column):
            taken = sheet.text(x, y + SMALL_LINE * row, word, SMALL, True, MUTED) if word else 0.0
            sheet.text(x + taken, y + SMALL_LINE * row, text, SMALL, colour=MUTED)
