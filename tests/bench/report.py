"""Lines of the bench: a figure, the baseline of the same run beside it, their ratio, and what is asked."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """ratio: measured over baseline, or how many times faster, as `of` says. asked: "" where nothing is."""

    name: str
    measured: str
    baseline: str
    ratio: str
    asked: str


def table(lines: Sequence[Line]) -> str:
    """Markdown."""
    head = "| what | measured | baseline in the same run | ratio | asked |\n| --- | --- | --- | --- | --- |"
    return "\n".join([head, *(f"| {one.name} | {one.measured} | {one.baseline} | {one.ratio} | {one.asked} |" for one in lines)])
