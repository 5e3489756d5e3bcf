"""Words and layouts of the pages that prove a rig. Pure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from station.proof import ChartKey, Deviation, Kind
from station.prove.chart_table import title_of


@dataclass(frozen=True, slots=True)
class KindWords:
    """name: of the kind. does: what it is for, one sentence. takes: how long, roughly."""

    name: str
    does: str
    takes: str


KINDS: Final[Mapping[Kind, KindWords]] = {
    Kind.CALIBRATION: KindWords(
        "Calibration", "Finds where the finger touches, pushes and lets go; holds sampler and clock against references.", "about 3 minutes"
    ),
    Kind.REFERENCE_VALUES: KindWords(
        "Values of a reference unit", "Measures a good unit several times and keeps its values for later shifts to be held against.",
        "5 clampings",
    ),
    Kind.REFERENCE_CHECK: KindWords("Reference check", "Measures the reference unit, as a shift begins or after any change.", "1 clamping"),
    Kind.GAUGE_STUDY: KindWords(
        "Gauge study", "Several people measure several units several times, in drawn order: how far can a measured value be trusted?",
        "parts x operators x trials clampings",
    ),
    Kind.TYPE_1_STUDY: KindWords("Type 1 study", "Measures one reference unit many times: bias and repeatability.", "25 clampings or more"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form that begins a procedure. kind: text, whole, list or product. start: what stands in it at first."""

    key: str
    label: str
    kind: str
    start: str = ""
    needed: bool = False


FIELDS: Final[Mapping[Kind, Sequence[Field]]] = {
    Kind.CALIBRATION: (),
    Kind.REFERENCE_VALUES: (
        Field("serial", "Serial of the unit", "text", needed=True),
        Field("product", "Product", "product"),
        Field("repeats", "Times measured", "whole", "5"),
    ),
    Kind.REFERENCE_CHECK: (Field("serial", "Serial (may stay empty while there is one)", "text"),),
    Kind.GAUGE_STUDY: (
        Field("product", "Product", "product"),
        Field("parts", "Units, serials with commas between", "list", needed=True),
        Field("operators", "Operators, names with commas between", "list", needed=True),
        Field("trials", "Trials of each", "whole", "3"),
    ),
    Kind.TYPE_1_STUDY: (Field("serial", "Serial of the reference unit", "text"), Field("repeats", "Times measured", "whole", "25")),
}


@dataclass(frozen=True, slots=True)
class FigureRow:
    """A figure of a calibration as shown: value, expanded uncertainty (k = 2) and range with their unit; within: None without a range."""

    label: str
    value: str
    plus_minus: str
    range: str
    within: bool | None


def figure_rows(figures: Mapping[str, Mapping[str, Any]]) -> list[FigureRow]:
    """Rows of a table of figures {label, value, u, unit, least, most, within}."""
    return [_row(name, one) for name, one in figures.items() if "value" in one]


SCALES: Final[Mapping[str, tuple[float, str]]] = {
    "s": (1e3, "ms"),
    "V": (1e3, "mV"),
    "share": (100.0, "%"),
    "share/deg": (100.0, "% a degree"),
    "ohm": (1e-6, "MΩ"),
    "S": (1e6, "µS"),
    "deg": (1.0, "°"),
    "deg/s": (1.0, "°/s"),
    "1": (1.0, ""),
}
PARTS_PER_MILLION: Final = 1e-4  # below it a share is told in millionths


def _row(name: str, one: Mapping[str, Any]) -> FigureRow:
    unit = str(one.get("unit", ""))
    value, u = one["value"], one.get("u")
    scale, shown_unit = SCALES.get(unit, (1.0, unit))
    bound = max((abs(x) for x in (value, one.get("least"), one.get("most")) if x is not None), default=0.0)
    if unit == "share" and bound < 10 * PARTS_PER_MILLION:
        scale, shown_unit = 1e6, "ppm"
    if unit == "V" and bound >= 1.0:
        scale, shown_unit = 1.0, "V"
    return FigureRow(
        label=str(one.get("label", name.replace("_", " "))),
        value="not told" if value is None else f"{_digits(scale * value)} {shown_unit}".rstrip(),
        plus_minus="" if not u else f"± {_digits(2.0 * scale * u, 2)}",
        range=_range(one.get("least"), one.get("most"), scale, shown_unit),
        within=one.get("within"),
    )


def _range(least: float | None, most: float | None, scale: float, unit: str) -> str:
    if least is None and most is None:
        return "no limit"
    if least is None:
        return f"at most {_digits(scale * (most or 0.0))} {unit}"
    if most is None:
        return f"at least {_digits(scale * least)} {unit}"
    return f"{_digits(scale * least)} to {_digits(scale * most)} {unit}"


def _digits(value: float, digits: int = 4) -> str:
    return "0" if value == 0.0 else f"{value:.{digits}g}" if 1e-3 <= abs(value) < 1e6 else f"{value:.2g}"


def in_limits(one: Deviation) -> float | None:
    """A deviation in units of its limit, None when the figure could not be measured."""
    if not math.isfinite(one.measured) or one.reference.limit <= 0.0:
        return None
    return (one.measured - one.reference.value) / one.reference.limit


def chart_name(key: ChartKey) -> str:
    return title_of(key)


def figure_name(name: str) -> str:
    """push_latency_s as people say it."""
    names = {
        "push_latency_s": "Time until the stick moves",
        "push_jitter_s": "Its jitter",
        "push_s": "Push from 10 % to 90 %",
        "release_s": "Time until the release",
        "release_jitter_s": "Its jitter",
        "release_speed_share_s": "Speed of the release",
        "noise_x_counts": "Noise at rest, x",
        "noise_y_counts": "Noise at rest, y",
        "supply_v": "The unit's supply",
        "peak_counts": "Peak",
        "reach_counts": "Reach",
        "rest_counts": "Rest",
        "noise_counts": "Noise",
        "return_s": "Return time",
        "settle_s": "Settle time",
    }
    return names.get(name, name.replace("_", " "))


def unit_of(figure: str) -> str:
    """The unit that a figure's name ends with, for show.with_unit."""
    last = figure.rpartition("_")[2]
    return {"s": "s", "counts": "counts", "v": "V"}.get(last, "1")
