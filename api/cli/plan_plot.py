"""Draws a plan's curves into an SVG file: chance of acceptance and mean flicks against the true over-zone share."""

from collections.abc import Sequence
from html import escape
from math import ceil, log10
from pathlib import Path
from typing import TYPE_CHECKING, Final

from station.errors import UsageError

if TYPE_CHECKING:
    from station.judge.plan import Plan

WIDTH, HEIGHT, LEFT, TOP, BETWEEN = 640, 260, 70, 34, 60  # one panel, pixels
POINTS: Final = 45
LEAST_SHARE: Final = 1e-9  # a normal group with a margin of 6 sd
INK, FAINT = "#222222", "#bbbbbb"


def write_plot(path: Path, ready: "Plan", label: str) -> None:
    """Both curves from far better than good to four times the bad share. Raises UsageError when the file cannot be written."""
    import numpy as np

    from station.judge.oc import operating_characteristic

    if path.suffix.lower() != ".svg":
        raise UsageError(f"--plot is {str(path)!r}; expected a file name ending in .svg")
    shares = np.geomspace(min(0.1 * ready.risks.share_good, LEAST_SHARE), min(4.0 * ready.risks.share_bad, 0.999), POINTS).tolist()
    points = operating_characteristic(ready, shares)
    title = f"Decision of {label}, mode {ready.mode}"
    drawn = [
        _panel("chance to be accepted", shares, [point.accept for point in points], 1.0, ready, 0),
        _panel("mean flicks per group", shares, [point.mean_flicks for point in points], None, ready, HEIGHT + BETWEEN),
    ]
    frame = f"0 0 {WIDTH + LEFT + 20} {2 * HEIGHT + BETWEEN + TOP + 50}"
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="{frame}" font-family="sans-serif" font-size="13" fill="{INK}">'
        f'<title>{escape(title)}</title><text x="{LEFT}" y="20" font-weight="bold">{escape(title)}</text>'
        f'<g transform="translate({LEFT},{TOP})">{"".join(drawn)}</g></svg>\n'
    )
    try:
        path.write_text(svg, encoding="utf-8")
    except OSError as problem:
        raise UsageError(f"--plot {path}: {problem.strerror}; expected a place where a file can be written") from problem


def _panel(name: str, shares: Sequence[float], values: Sequence[float], top: float | None, ready: "Plan", down: int) -> str:
    """One curve with its frame; x is logarithmic, y from 0 to `top` (a little above the largest value when None)."""
    most = top if top is not None else 40.0 * ceil(max(values) / 40.0)

    def at(share: float) -> float:
        return WIDTH * (log10(share) - log10(shares[0])) / (log10(shares[-1]) - log10(shares[0]))

    line = " ".join(f"{at(share):.1f},{HEIGHT * (1 - value / most):.1f}" for share, value in zip(shares, values, strict=True))
    marks = "".join(_mark(at(share), word, share) for word, share in (("good", ready.risks.share_good), ("bad", ready.risks.share_bad)))
    grid = "".join(_level(part, most) for part in (0.0, 0.25, 0.5, 0.75, 1.0))
    return (
        f'<g transform="translate(0,{down})">{grid}{marks}<polyline points="{line}" fill="none" stroke="{INK}" stroke-width="2.5"/>'
        f'<text x="4" y="14">{escape(name)}</text>'
        f'<text x="{WIDTH}" y="{HEIGHT + 34}" text-anchor="end">true share of flicks beyond the neutral zone</text></g>'
    )


def _level(part: float, most: float) -> str:
    height = HEIGHT * (1 - part)
    return (
        f'<line x1="0" x2="{WIDTH}" y1="{height:.1f}" y2="{height:.1f}" stroke="{FAINT}"/>'
        f'<text x="-8" y="{height + 4:.1f}" text-anchor="end">{most * part:.3g}</text>'
    )


def _mark(across: float, word: str, share: float) -> str:
    return (
        f'<line x1="{across:.1f}" x2="{across:.1f}" y1="0" y2="{HEIGHT}" stroke="{INK}" stroke-dasharray="4 4"/>'
        f'<text x="{across:.1f}" y="{HEIGHT + 18}" text-anchor="middle">{word}: {100 * share:.3g} %</text>'
    )
