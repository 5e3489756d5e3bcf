"""Traces on paper: a whole recording by the smallest and largest sample of each stretch, and the flicks of a group over each other.

x is blue, y orange with a dark edge, the neutral zone a hatched grey band, as on the pages.
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from api.reports.axes import TICK_SIZE, Frame, draw_edges, draw_ticks, widened
from api.reports.sheet import BLUE, INK, LINE, MUTED, ORANGE, Clip, Sheet
from api.reports.words import FlickTrace, StickTrace
from station.quantities import axis_of
from station.records import Floats

COLUMNS: Final = 480  # stretches of a recording: about one to a point of paper
POINTS: Final = 240  # of a flick laid over others
COLOURS: Final = {"x": BLUE, "y": ORANGE}
EDGE: Final = 0.5  # orange on white needs a dark edge, this much wider than the line
AXIS_HEIGHT: Final = 22.0  # ticks and words below a frame
Area = tuple[float, float, float, float]


def extremes(level: Floats, columns: int) -> tuple[NDArray[np.int64], Floats, Floats]:
    """First index, smallest and largest value of each of at most so many stretches of equal length (within one sample).

    level: shape (n,); what is not finite is left out, a stretch without a finite sample is NaN.
    """
    count = len(level)
    if count == 0:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    starts = np.unique(np.linspace(0, count, min(columns, count), endpoint=False).astype(np.int64))
    finite = np.isfinite(level)
    low = np.minimum.reduceat(np.where(finite, level, np.inf), starts)
    high = np.maximum.reduceat(np.where(finite, level, -np.inf), starts)
    seen = low <= high
    return starts, np.where(seen, low, np.nan), np.where(seen, high, np.nan)


def draw_recording(sheet: Sheet, trace: StickTrace, zone_counts: float, area: Area) -> None:
    """Both axes against time; every extreme is on the paper. area: x, y, width, height."""
    x, y, width, height = area
    both = {axis: extremes(level, COLUMNS) for axis, level in (("x", trace.x_counts), ("y", trace.y_counts))}
    low, high = _range([values for _, *ends in both.values() for values in ends], zone_counts)
    last_s = trace.t_first_s + max(1, len(trace.x_counts)) / trace.rate_hz
    frame = Frame(x + 26.0, y, width - 26.0, height - AXIS_HEIGHT, trace.t_first_s, last_s, low, high)
    draw_ticks(sheet, frame, 5, 8)
    _zone(sheet, frame, zone_counts)
    with Clip(sheet, frame.x, frame.y, frame.width, frame.height):
        for axis, (starts, lows, highs) in both.items():
            times_s = trace.t_first_s + (starts + 0.5 * len(trace.x_counts) / max(1, len(starts))) / trace.rate_hz
            for points in _runs(frame, np.repeat(times_s, 2), np.column_stack((lows, highs)).ravel()):
                _draw(sheet, points, axis, 0.5)
    draw_edges(sheet, frame)
    sheet.upright(x + 5.0, frame.y + frame.height / 2.0, "counts from rest", TICK_SIZE)
    sheet.text(frame.x + frame.width / 2.0, y + height - 2.0, "seconds", TICK_SIZE, colour=MUTED, align="centre")
    _legend(sheet, frame.x + frame.width, y + height - 2.0)


def draw_flicks(sheet: Sheet, group: str, flicks: Sequence[FlickTrace], zone_counts: float, area: Area) -> None:
    """Flicks of one group after their release, on the scale of all; those beyond the neutral zone are thicker, and counted in words."""
    x, y, width, height = area
    mine = [flick for flick in flicks if flick.group == group]
    beyond = sum(flick.over_zone for flick in mine)
    told = f"{len(mine)} drawn, {beyond} beyond the zone" if mine else "none kept"
    taken = sheet.text(x + 26.0, y + 7.0, group, 8.5, True)
    sheet.text(x + 30.0 + taken, y + 7.0, told, 7.5, bool(beyond), INK if beyond else MUTED)
    if not mine:
        return
    low, high = _range([flick.deflection_counts for flick in flicks], zone_counts)
    begins = min(flick.t_first_s for flick in mine)
    ends = max(flick.t_first_s + flick.step_s * len(flick.deflection_counts) for flick in mine)
    frame = Frame(x + 26.0, y + 12.0, width - 26.0, height - 12.0 - AXIS_HEIGHT, begins, max(ends, begins + 1e-6), low, high)
    draw_ticks(sheet, frame, 5, 0)
    _milliseconds(sheet, frame)
    _zone(sheet, frame, zone_counts)
    with Clip(sheet, frame.x, frame.y, frame.width, frame.height):
        if begins < 0.0 < ends:
            sheet.line(frame.across(0.0), frame.y, frame.across(0.0), frame.y + frame.height, LINE, 0.5, (1.5, 1.5))
        for flick in sorted(mine, key=lambda one: one.over_zone):
            for points in _runs(frame, *_thinned(flick)):
                _draw(sheet, points, axis_of(group), 1.0 if flick.over_zone else 0.5)
    draw_edges(sheet, frame)
    sheet.upright(x + 5.0, frame.y + frame.height / 2.0, "counts, held side up", TICK_SIZE)
    sheet.text(frame.x + frame.width / 2.0, y + height - 2.0, "ms from release", TICK_SIZE, colour=MUTED, align="centre")


def _milliseconds(sheet: Sheet, frame: Frame) -> None:
    in_ms = Frame(frame.x, frame.y, frame.width, frame.height, 1e3 * frame.left, 1e3 * frame.right, frame.bottom, frame.top)
    draw_ticks(sheet, in_ms, 0, 6)


def _thinned(flick: FlickTrace) -> tuple[Floats, Floats]:
    """Times and levels of a flick; where it has more than POINTS samples, the extremes of each stretch in the order they come."""
    level = flick.deflection_counts
    if len(level) <= POINTS:
        return flick.t_first_s + flick.step_s * np.arange(len(level), dtype=np.float64), level
    starts, lows, highs = extremes(level, POINTS // 2)
    falling = level[starts] > level[np.append(starts[1:], len(level)) - 1]
    pairs = np.where(falling[:, None], np.column_stack((highs, lows)), np.column_stack((lows, highs)))
    stretch = len(level) / len(starts)
    indices = np.column_stack((starts + 0.25 * stretch, starts + 0.75 * stretch))
    times_s: Floats = flick.t_first_s + flick.step_s * indices.ravel()
    return times_s, pairs.ravel()


def _range(levels: Sequence[Floats], zone_counts: float) -> tuple[float, float]:
    finite = [one[np.isfinite(one)] for one in levels]
    lows = [float(one.min()) for one in finite if len(one)]
    highs = [float(one.max()) for one in finite if len(one)]
    return widened(min([-zone_counts, *lows]), max([zone_counts, *highs]))


def _zone(sheet: Sheet, frame: Frame, zone_counts: float) -> None:
    top, bottom = frame.down(zone_counts), frame.down(-zone_counts)
    sheet.hatch(frame.x, top, frame.width, bottom - top)


def _runs(frame: Frame, times_s: Floats, level: Floats) -> list[list[tuple[float, float]]]:
    """Points on paper, a new line after every gap."""
    runs: list[list[tuple[float, float]]] = [[]]
    for time_s, value in zip(times_s.tolist(), level.tolist(), strict=True):
        if math.isfinite(value):
            runs[-1].append((frame.across(time_s), frame.down(value)))
        elif runs[-1]:
            runs.append([])
    return runs


def _draw(sheet: Sheet, points: Sequence[tuple[float, float]], axis: str, width: float) -> None:
    if axis == "y":
        width += EDGE
        sheet.path(points, INK, width + EDGE)
    sheet.path(points, COLOURS.get(axis, INK), width)


def _legend(sheet: Sheet, right: float, y: float) -> None:
    x = right - 128.0
    sheet.line(x, y - 2.2, x + 12.0, y - 2.2, BLUE, 1.6)
    sheet.text(x + 15.0, y, "x", TICK_SIZE + 0.5, colour=MUTED)
    sheet.line(x + 26.0, y - 2.2, x + 38.0, y - 2.2, INK, 2.4)
    sheet.line(x + 26.4, y - 2.2, x + 37.6, y - 2.2, ORANGE, 1.6)
    sheet.text(x + 41.0, y, "y", TICK_SIZE + 0.5, colour=MUTED)
    sheet.hatch(x + 52.0, y - 5.4, 14.0, 6.4)
    sheet.text(x + 70.0, y, "neutral zone", TICK_SIZE + 0.5, colour=MUTED)
