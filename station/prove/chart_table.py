"""The table of charts: one line each. A new chart is one line here and one query of its points."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from station.errors import UsageError
from station.proof import ChartKey
from station.prove.chart_rules import BEYOND, ONE_SIDE, SPREAD
from station.prove.charts import LEAST, ChartKind

PEAK_UNITS: Final = 5
"""Consecutive units that make a point of the peak chart, of one lot, in the order of their runs: samples of 4 to 6 pieces are common
practice since Shewhart. Fewer units at the end of a lot wait for more and are no point."""

FAILED_UNITS: Final = 50
"""Units in a row of a product that make a point of the chart of failed ones. Few, so that there are several points a shift; at 2 % failed
four of them lie beyond the limit, which chance alone brings about once in 56 points, and the chart says so."""

LEAST_RUNS: Final = 50
"""Runs of a baseline. Limits from few individuals are unsure: with the default rules a healthy rig gets a false signal within 100 runs
with chance 0.57 after 20 runs of baseline, 0.48 after 50, 0.42 after 100, and 0.37 if centre and sigma were known (4,000 simulated charts
each). 50 runs are made within a shift."""

LEAST_CHECKS: Final = 25  # one a shift: two weeks of two shifts. ISO 7870-2 and common practice ask 20 to 25 points; from memory

INDIVIDUAL_RULES: Final = (BEYOND, ONE_SIDE)
"""Mean number of points to a false signal 216.7, 370.4 by the first rule alone (exact, by Markov chain); a shift of one sigma is found
after 17 points on average instead of 44. The spread is not judged: by chance one moving range in 109 lies beyond its limit, and a spread
that doubles puts one point in seven beyond its own."""

MEAN_RULES: Final = (BEYOND, ONE_SIDE, SPREAD)
"""Here the spread is news of its own: uneven parts in one lot. By chance one standard deviation of five values in 256
lies beyond; with all three rules a false signal comes after 121 points on average (simulated, standard error 3)."""

SHARE_RULES: Final = (BEYOND,)
"""Few failed units a point are not symmetric about their mean: one side is the likelier one, so runs along it say little."""


@dataclass(frozen=True, slots=True)
class Chart:
    """title, figure: how it is called, figure a form for ChartKey.figure. unit: "" when the figure's own name tells it.

    called: what a point is called in messages. point: of what a point consists. least: points of a baseline. look: what to do next when
    a rule fires.
    """

    what: str
    kind: ChartKind
    title: str
    figure: str
    unit: str
    called: str
    point: str
    least: int
    rules: tuple[str, ...]
    look: str


CHARTS: Final[Mapping[str, Chart]] = {
    chart.what: chart
    for chart in (
        Chart(
            what="reference",
            kind=ChartKind.INDIVIDUALS,
            title="Deviation of the reference unit",
            figure="{}",
            unit="",
            called="check",
            point="measured less reference value of one figure in one check of the reference unit",
            least=LEAST_CHECKS,
            rules=INDIVIDUAL_RULES,
            look="Clean and clamp the reference unit again and repeat the check; if it stays so, recalibrate the rig.",
        ),
        Chart(
            what="release-speed",
            kind=ChartKind.INDIVIDUALS,
            title="Release speed",
            figure="{}",
            unit="reach/s",
            called="run",
            point="release_speed_share_s of one run: largest speed of the return, median of its flicks",
            least=LEAST_RUNS,
            rules=INDIVIDUAL_RULES,
            look="Look at the finger for wear and at the clamp, then check the reference unit.",
        ),
        Chart(
            what="noise",
            kind=ChartKind.INDIVIDUALS,
            title="Noise at rest",
            figure="axis {}",
            unit="counts",
            called="run",
            point="rms noise at rest of one axis in one run",
            least=LEAST_RUNS,
            rules=INDIVIDUAL_RULES,
            look="Look at the probes, their cable and its ground, then check the reference unit.",
        ),
        Chart(
            what="latency",
            kind=ChartKind.INDIVIDUALS,
            title="Latency of the actuator",
            figure="{}",
            unit="s",
            called="run",
            point="push_latency_s of one run: from the order of a flick until the stick moves, median of its flicks",
            least=LEAST_RUNS,
            rules=INDIVIDUAL_RULES,
            look="Look at the actuator, its supply and the play of the finger; recalibrate the rig.",
        ),
        Chart(
            what="jitter",
            kind=ChartKind.INDIVIDUALS,
            title="Jitter of the actuator",
            figure="{}",
            unit="s",
            called="run",
            point="push_jitter_s of one run: standard deviation of the latency of its flicks",
            least=LEAST_RUNS,
            rules=INDIVIDUAL_RULES,
            look="Look at the clamp, the actuator's screws and the play of the finger; recalibrate the rig.",
        ),
        Chart(
            what="peak",
            kind=ChartKind.MEANS,
            title="Peak",
            figure="{}",
            unit="counts",
            called="sample up to run",
            point=f"mean peaks of one group of {PEAK_UNITS} consecutive units of a lot, each by its first decided run",
            least=LEAST,
            rules=MEAN_RULES,
            look="Check the reference unit first; if the rig is well, look at what changed in the lot.",
        ),
        Chart(
            what="failed",
            kind=ChartKind.SHARE,
            title="Failed units",
            figure="{}",
            unit="share",
            called="sample up to run",
            point=f"failed of {FAILED_UNITS} consecutive units of a product, each by its first decided run",
            least=LEAST,
            rules=SHARE_RULES,
            look="Check the reference unit, then look at the causes of the failed units.",
        ),
    )
}
FIGURE_UNITS: Final = {"_counts": "counts", "_s": "s", "_v": "V"}


def chart_line(key: ChartKey) -> Chart:
    """Line of a chart. Raises UsageError when there is none."""
    if key.what not in CHARTS:
        raise UsageError(f"chart is {key.what[:40]!r}; expected one of {', '.join(CHARTS)}")
    return CHARTS[key.what]


def title_of(key: ChartKey) -> str:
    """Such as "Noise at rest, axis x, rig bench-1"."""
    line = chart_line(key)
    figure = line.figure.format(key.figure) if key.figure else ""
    named = [f"{word} {name}" for word, name in (("rig", key.rig), ("product", key.product), ("lot", key.lot)) if name]
    return ", ".join([line.title, *([figure] if figure else []), *named])


def unit_of(key: ChartKey) -> str:
    """Unit of the values; "" for a figure that has none."""
    line = chart_line(key)
    return line.unit or next((unit for ending, unit in FIGURE_UNITS.items() if key.figure.endswith(ending)), "")
