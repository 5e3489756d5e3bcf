"""Charts of the yield page: first-pass yield of each row with its interval, and the causes by their share of all mentions.

Shares are points with intervals and not bars, so that an axis that begins above zero does not lie; where it begins is written above it.
Bars of causes begin at zero, on the same scale as their running sum.
"""

import math
from collections.abc import Sequence
from typing import Final

from api.reports.axes import TICK_SIZE, Frame, draw_edges, draw_ticks
from api.reports.chosen import by_time, choice_words, chosen
from api.reports.printed import percent
from api.reports.sheet import BLUE, GREY, INK, LINE, MUTED, ORANGE, Clip, Sheet
from station.yields import Cause, Share, Split, YieldReport, YieldRow

POINTS_MOST: Final = 92  # a quarter of days: intervals still stand apart
LABEL: Final = 76.0
TITLE: Final = 14.0
BELOW: Final = 22.0
LINE_LEAST: Final = 10.5  # height of a row of names


def draw_yield_chart(sheet: Sheet, report: YieldReport, area: tuple[float, float, float, float]) -> None:
    """Along time from left to right, anything else by name from top to bottom. area: x, y, width, height."""
    if by_time(report):
        _along_time(sheet, report, area)
    else:
        _by_name(sheet, report, area)


def draw_causes(sheet: Sheet, causes: Sequence[Cause], area: tuple[float, float, float, float]) -> None:
    """Largest first: bars from zero, and the running sum as points joined by a line."""
    x, y, width, height = area
    sheet.text(x, y + 7.0, "Causes, as shares of all mentions", 9.0, True)
    if not causes:
        sheet.text(x, y + 30.0, "No failed run names a cause.", 8.0, colour=MUTED)
        return
    shown = causes[: max(1, int((height - TITLE - BELOW) / LINE_LEAST))]
    frame = Frame(x + LABEL, y + TITLE, width - LABEL - 44.0, height - TITLE - BELOW, 0.0, 1.0, float(len(shown)), 0.0)
    draw_ticks(sheet, frame, 0, 4, 100.0)
    pitch = frame.height / len(shown)
    for index, cause in enumerate(shown):
        middle = frame.down(index + 0.5)
        sheet.text(frame.x - 4.0, middle + 2.5, cause_words(cause), 7.0, align="right", room=LABEL - 4.0)
        thick = min(0.62 * pitch, 13.0)
        sheet.box(frame.x, middle - thick / 2, max(0.6, frame.across(cause.share) - frame.x), thick, _colour(cause.part), INK, 0.4)
        told = f"{cause.runs:,} · {percent(cause.cumulative)}"
        sheet.text(x + width, middle + 2.5, told, 7.0, colour=MUTED, align="right")
    _running_sum(sheet, frame, shown)
    draw_edges(sheet, frame)
    more = len(causes) - len(shown)
    rest = f"; {more:,} more: XLSX" if more else ""
    below = f"% of mentions; dots and right: running sum; left of it: failed runs{rest}"
    sheet.text(x, y + height - 2.0, below, TICK_SIZE, colour=MUTED, room=width)


def cause_words(cause: Cause) -> str:
    """snapback x+, ML-2607."""
    return " ".join(filter(None, (cause.code, cause.part))) + (f", {cause.lot}" if cause.lot else "")


def _colour(part: str) -> str:
    return {"x": BLUE, "y": ORANGE}.get(part[:1], GREY)


def _running_sum(sheet: Sheet, frame: Frame, shown: Sequence[Cause]) -> None:
    points = [(frame.across(min(1.0, cause.cumulative)), frame.down(index + 0.5)) for index, cause in enumerate(shown)]
    sheet.path(points, INK, 0.6)
    for across, down in points:
        sheet.dot(across, down, 1.5, INK, "#FFFFFF")


def _floor(shares: Sequence[Share]) -> float:
    """Where the axis begins: a whole ten per cent below every interval, never above 90 %."""
    lows = [share.low for share in shares if share.low is not None]
    return max(0.0, min([0.9, *(math.floor(low * 10.0 - 1e-9) / 10.0 for low in lows)])) if lows else 0.0


def _title(sheet: Sheet, report: YieldReport, shown: int, floor: float, x: float, y: float) -> None:
    taken = sheet.text(x, y + 7.0, "First-pass yield with 95 % intervals", 9.0, True)
    words = [f"axis from {100 * floor:.0f} %"] if floor else []
    choice = choice_words(report, shown)
    sheet.text(x + taken + 6.0, y + 7.0, "; ".join([*words, choice] if choice else words), 7.0, colour=MUTED)


def _along_time(sheet: Sheet, report: YieldReport, area: tuple[float, float, float, float]) -> None:
    x, y, width, height = area
    rows = list(reversed(chosen(report, POINTS_MOST)))
    floor = _floor([report.total.first_pass, *(row.first_pass for row in rows)])
    frame = Frame(x + 24.0, y + TITLE, width - 24.0, height - TITLE - BELOW, 0.0, float(max(1, len(rows))), floor, 1.0)
    _title(sheet, report, len(rows), floor, x, y)
    _band(sheet, frame, report.total.first_pass, False)
    draw_ticks(sheet, frame, 5, 0, 100.0)
    pitch = frame.width / max(1, len(rows))
    for index, row in enumerate(rows):
        _point(sheet, frame, row.first_pass, (index + 0.5, 0.0), min(2.2, max(1.0, 0.3 * pitch)), False)
    draw_edges(sheet, frame)
    if not rows:
        sheet.text(frame.across(0.5), frame.down(0.5), "no decided runs", 9.0, colour=MUTED, align="centre")
    _days(sheet, frame, rows, report.asked.split)
    stretch = f", {rows[0].label} to {rows[-1].label}" if rows else ""
    sheet.text(frame.x, y + height - 2.0, f"% of units{stretch}; grey: all together with its interval", TICK_SIZE, colour=MUTED)


def _days(sheet: Sheet, frame: Frame, rows: Sequence[YieldRow], split: Split) -> None:
    """As many labels as find room, without their year."""
    room = 44.0 if split is Split.SHIFT else 26.0
    every = max(1, math.ceil(room * len(rows) / frame.width))
    for index in range(0, len(rows), every):
        across, bottom = frame.across(index + 0.5), frame.y + frame.height
        sheet.line(across, bottom, across, bottom + 2.5, LINE, 0.5)
        sheet.text(across, bottom + 9.0, rows[index].label[5:], TICK_SIZE, colour=MUTED, align="centre")


def _by_name(sheet: Sheet, report: YieldReport, area: tuple[float, float, float, float]) -> None:
    x, y, width, height = area
    rows = chosen(report, max(1, int((height - TITLE - BELOW) / LINE_LEAST) - 1))
    lines = [("all together", report.total.first_pass), *((row.label or "none named", row.first_pass) for row in rows)]
    floor = _floor([share for _, share in lines])
    frame = Frame(x + LABEL, y + TITLE, width - LABEL - 40.0, height - TITLE - BELOW, floor, 1.0, float(len(lines)), 0.0)
    _title(sheet, report, len(rows), floor, x, y)
    _band(sheet, frame, report.total.first_pass, True)
    draw_ticks(sheet, frame, 0, 5, 100.0)
    for index, (label, share) in enumerate(lines):
        middle = frame.down(index + 0.5)
        sheet.text(frame.x - 4.0, middle + 2.5, label, 7.0, index == 0, align="right", room=LABEL - 4.0)
        sheet.text(x + width, middle + 2.5, percent(share.value), 7.0, index == 0, align="right")
        _point(sheet, frame, share, (index + 0.5, 0.0), 2.2, True)
    draw_edges(sheet, frame)
    sheet.text(frame.x, y + height - 2.0, "% of units; grey: all together with its interval", TICK_SIZE, colour=MUTED)


def _band(sheet: Sheet, frame: Frame, share: Share, level: bool) -> None:
    """The total behind all rows."""
    if share.value is None or share.low is None or share.high is None:
        return
    if level:
        left, right, at = frame.across(share.low), frame.across(share.high), frame.across(share.value)
        sheet.box(left, frame.y, right - left, frame.height, fill="#E7E9EB")
        sheet.line(at, frame.y, at, frame.y + frame.height, GREY, 0.8, (3.0, 2.0))
        return
    top, bottom, at = frame.down(share.high), frame.down(share.low), frame.down(share.value)
    sheet.box(frame.x, top, frame.width, bottom - top, fill="#E7E9EB")
    sheet.line(frame.x, at, frame.x + frame.width, at, GREY, 0.8, (3.0, 2.0))


def _point(sheet: Sheet, frame: Frame, share: Share, at: tuple[float, float], radius: float, level: bool) -> None:
    if share.value is None or share.low is None or share.high is None:
        return
    with Clip(sheet, frame.x - 3.0, frame.y - 3.0, frame.width + 6.0, frame.height + 6.0):
        if level:
            middle = frame.down(at[0])
            sheet.line(frame.across(share.low), middle, frame.across(share.high), middle, INK, 0.9)
            sheet.dot(frame.across(share.value), middle, radius, INK)
        else:
            across = frame.across(at[0])
            sheet.line(across, frame.down(share.low), across, frame.down(share.high), INK, min(0.9, 0.45 * radius))
            sheet.dot(across, frame.down(share.value), radius, INK)
