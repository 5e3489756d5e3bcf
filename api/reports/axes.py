"""Charts on paper: a frame, honest ticks, and where a value lies in it."""

import math
from dataclasses import dataclass
from typing import Final

from api.reports.printed import rounded
from api.reports.sheet import FAINT, LINE, MUTED, Sheet

STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)
TICK_SIZE: Final = 6.5


@dataclass(frozen=True, slots=True)
class Frame:
    """A rectangle of paper and the values at its edges: left and right, bottom and top."""

    x: float
    y: float
    width: float
    height: float
    left: float
    right: float
    bottom: float
    top: float

    def across(self, value: float) -> float:
        return self.x + self.width * (value - self.left) / (self.right - self.left)

    def down(self, value: float) -> float:
        return self.y + self.height * (self.top - value) / (self.top - self.bottom)


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round values within low..high, about so many."""
    step = step_of(low, high, about)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]


def step_of(low: float, high: float, about: int) -> float:
    """A round distance between ticks."""
    raw = (high - low) / max(1, about)
    if not raw > 0.0 or not math.isfinite(raw):
        return 1.0
    size = 10.0 ** math.floor(math.log10(raw))
    return next(step * size for step in STEPS if step * size >= raw * 0.999)


def widened(low: float, high: float) -> tuple[float, float]:
    """A little room on both sides; never empty."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    room = 0.06 * (high - low) or max(abs(low) * 0.1, 1e-9)
    return low - room, high + room


def draw_ticks(sheet: Sheet, frame: Frame, upright: int, level: int, scale: float = 1.0) -> None:
    """Fine lines and figures at about so many values up the side (`upright`; 0 none) and along the bottom (`level`)."""
    if upright:
        step = step_of(frame.bottom, frame.top, upright)
        for value in ticks(frame.bottom, frame.top, upright):
            y = frame.down(value)
            sheet.line(frame.x, y, frame.x + frame.width, y, FAINT, 0.5)
            sheet.text(frame.x - 3.0, y + 2.2, _tick(value, step, scale), TICK_SIZE, colour=MUTED, align="right")
    if level:
        step = step_of(frame.left, frame.right, level)
        for value in ticks(frame.left, frame.right, level):
            x = frame.across(value)
            sheet.line(x, frame.y + frame.height, x, frame.y + frame.height + 2.5, LINE, 0.5)
            sheet.text(x, frame.y + frame.height + 9.0, _tick(value, step, scale), TICK_SIZE, colour=MUTED, align="centre")


def draw_edges(sheet: Sheet, frame: Frame) -> None:
    """The frame's left and lower edge."""
    sheet.line(frame.x, frame.y, frame.x, frame.y + frame.height, LINE, 0.6)
    sheet.line(frame.x, frame.y + frame.height, frame.x + frame.width, frame.y + frame.height, LINE, 0.6)


def _tick(value: float, step: float, scale: float) -> str:
    decimals = max(0, -math.floor(math.log10(step * scale) + 1e-9))
    if decimals < 9 and abs(round(step * scale, decimals) - step * scale) > 1e-9 * step * scale:
        decimals += 1  # steps such as 2.5
    return rounded(value * scale, decimals)
