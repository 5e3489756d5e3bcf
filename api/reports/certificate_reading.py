"""Figures, residuals and steps of a calibration's document, whatever it holds: every figure there is gets printed.

A figure is a mapping with a `value`; it may have `label`, `u` (standard uncertainty), `unit`, `least`, `most` and `within`. Mappings of
figures that lie beside each other (the directions) become one table with a column each.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from api.reports.printed import NOTHING, decimals_of, figure, rounded

COVERAGE: Final = 2.0  # k of the expanded uncertainty (JCGM 100:2008, 6.2 and 6.3)
SCALES: Final = {
    "s": (1e3, "ms"),
    "V": (1e3, "mV"),
    "share": (1e2, "%"),
    "share/deg": (1e2, "%/deg"),
    "ohm": (1e-3, "kΩ"),
    "S": (1e6, "µS"),
    "1": (1.0, ""),
}
"""Units of a document as they are printed, and the factor between; any other unit stays as it is."""


@dataclass(frozen=True, slots=True)
class Figure:
    """As printed: in its printed unit, U expanded, k = 2; "–" where not known. within: None where there is nothing to lie within."""

    value: str
    expanded: str
    unit: str
    limits: str
    within: bool | None


@dataclass(frozen=True, slots=True)
class FigureTable:
    """title: where it stands in the document. columns: names of the mappings side by side, ("",) for one alone. rows: by figure's label."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Figure | None, ...]], ...]


@dataclass(frozen=True, slots=True)
class Residuals:
    """Of one direction: at each angle, measured less fitted."""

    place: str
    angle_deg: tuple[float, ...]
    residual: tuple[float, ...]


def tables_of(document: Mapping[str, Any], title: str = "") -> Iterator[FigureTable]:
    """Every figure of the document, in its order."""
    alone = {name: one for name, one in document.items() if _is_figure(one)}
    if alone:
        yield _table(title or "figures", {"": alone})
    inner = {name: one for name, one in document.items() if isinstance(one, Mapping) and not _is_figure(one)}
    beside = {name: one for name, one in inner.items() if one and all(_is_figure(value) for value in one.values())}
    if len(beside) > 1:
        yield _table(title or "figures", beside)
    for name, one in inner.items():
        if len(beside) < 2 or name not in beside:
            yield from tables_of(one, f"{title} {name}".strip())


def residuals_of(document: Mapping[str, Any]) -> list[Residuals]:
    """By direction; a direction whose points do not pair is left out, since nothing can be drawn of it."""
    kept = document.get("residuals")
    if not isinstance(kept, Mapping):
        return []
    found = [_residuals(place, one) for place, one in kept.items() if isinstance(one, Mapping)]
    return [one for one in found if one is not None]


def steps_of(document: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Name of each step, who did it, and when, as kept."""
    steps = document.get("steps")
    if not isinstance(steps, Sequence) or isinstance(steps, str):
        return []
    return [(str(one.get("name", "")), str(one.get("by", "")), str(one.get("at", ""))) for one in steps if isinstance(one, Mapping)]


def _residuals(place: str, one: Mapping[str, Any]) -> Residuals | None:
    angles, values = _numbers(one.get("angle_deg")), _numbers(one.get("residual"))
    return Residuals(place, angles, values) if values and len(angles) == len(values) else None


def _numbers(value: Any) -> tuple[float, ...]:
    if not isinstance(value, Sequence) or isinstance(value, str):
        return ()
    return tuple(float(one) for one in value if isinstance(one, (int, float)) and math.isfinite(one))


def _is_figure(value: Any) -> bool:
    return isinstance(value, Mapping) and "value" in value and not isinstance(value["value"], (Mapping, list, tuple, str))


def _table(title: str, columns: Mapping[str, Mapping[str, Any]]) -> FigureTable:
    names = list(dict.fromkeys(name for one in columns.values() for name in one))
    rows = [(_label(name, columns), tuple(_figure(one.get(name)) for one in columns.values())) for name in names]
    return FigureTable(title, tuple(columns), tuple(rows))


def _label(name: str, columns: Mapping[str, Mapping[str, Any]]) -> str:
    return next((str(one[name]["label"]) for one in columns.values() if name in one and one[name].get("label")), name)


def _figure(one: Mapping[str, Any] | None) -> Figure | None:
    if one is None:
        return None
    scale, unit = SCALES.get(str(one.get("unit", "")), (1.0, str(one.get("unit", ""))))
    value, u = _scaled(one["value"], scale), _scaled(one.get("u"), scale)
    shown = rounded(value, decimals_of(u)) if u else figure(value)
    expanded = NOTHING if u is None else rounded(COVERAGE * u, decimals_of(u)) if u > 0.0 else "0"
    within = one.get("within")
    return Figure(shown, expanded, unit, _limits(one, scale), within if isinstance(within, bool) else None)


def _scaled(value: Any, scale: float) -> float | None:
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    return float(value) * scale


def _limits(one: Mapping[str, Any], scale: float) -> str:
    least, most = _scaled(one.get("least"), scale), _scaled(one.get("most"), scale)
    if least is not None and most is not None:
        return f"± {most:g}" if least == -most else f"{least:g} to {most:g}"
    if most is not None:
        return f"≤ {most:g}"
    return "" if least is None else f"≥ {least:g}"
