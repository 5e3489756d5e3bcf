"""Calibrations, reference units, checks and studies as people read them on a terminal."""

from collections.abc import Sequence
from typing import Any

from api.cli.output import figure, table
from api.cli.proof_view import short, words
from api.cli.records import Document
from api.cli.runs import short_time
from api.reports.certificate_reading import Figure, FigureTable, tables_of


def calibrations_table(found: Sequence[Document]) -> Any:
    """Calibrations in a list."""
    headers = ["calibration", "rig", "firmware", "accepted", "made (UTC)", "by", "valid until (UTC)", "flicks"]
    rows = [
        [
            one["name"],
            _rig(one),
            one["firmware"],
            _yes(one["accepted"]),
            short_time(one["at"]),
            one["by"],
            short_time(one["valid_until"]) if one["accepted"] else "-",
            f"{one['flicks']} of {one['flicks_max']}" if one["accepted"] else "-",
        ]
        for one in found
    ]
    return table("", headers, rows, left=7)


def calibration_lines(one: Document) -> list[Any]:
    """One calibration with every figure, its expanded uncertainty and its limits."""
    lines: list[Any] = [
        f"Calibration {one['name']} of rig {_rig(one)} ({one['rig_id']}, firmware {one['firmware']}): {_accepted(one)}",
        f"  by {one['by']}, {short_time(one['at'])} UTC, procedure {one['procedure']}",
    ]
    if one["accepted"]:
        lines.append(f"  valid until {short_time(one['valid_until'])} UTC, or for {one['flicks_max']} flicks")
    lines += [f"  ! {problem}" for problem in one["problems"]]
    return [*lines, *(_figures(one) for one in tables_of(one["document"]))]


def units_table(found: Sequence[Document]) -> Any:
    """Reference units with their newest values."""
    headers = ["unit", "product", "rig", "found (UTC)", "by", "figures"]
    rows = [
        [one["serial"], one["product"], one["rig_id"], short_time(one["at"]), one["by"], str(_count(one["values"]))]
        for one in sorted(found, key=lambda unit: str(unit["serial"]))
    ]
    return table("Reference units", headers, rows, left=5)


def checks_table(found: Sequence[Document]) -> Any:
    """Checks against reference units."""
    headers = ["check", "unit", "rig", "calibration", "at (UTC)", "by", "within", "off"]
    rows = [
        [
            str(one["number"]),
            one["serial"],
            _rig(one),
            one["calibration"] or "-",
            short_time(one["at"]),
            one["by"],
            _yes(one["within"]),
            "; ".join(_deviation(dev) for dev in one["deviations"] if not dev["within"]) or "-",
        ]
        for one in found
    ]
    return table("Checks", headers, rows, left=len(headers))


def studies_table(found: Sequence[Document]) -> Any:
    """Studies in a list."""
    headers = ["study", "kind", "rig", "specification", "accepted", "at (UTC)", "by", "u of a peak, counts"]
    rows = [
        [
            str(one["number"]),
            words(one["kind"]),
            _rig(one),
            one["specification"],
            _yes(one["accepted"]),
            short_time(one["at"]),
            one["by"],
            figure(one["peak_u_counts"], 3),
        ]
        for one in found
    ]
    return table("", headers, rows, left=7)


def study_lines(one: Document) -> list[Any]:
    """One study with its figures."""
    lines: list[Any] = [
        f"Study {one['number']}, {words(one['kind'])} of {one['specification']} on rig {_rig(one)}: {_accepted(one)}",
        f"  by {one['by']}, {short_time(one['at'])} UTC, procedure {one['procedure']}",
        *(f"  ! {problem}" for problem in one["problems"]),
    ]
    if one["peak_u_counts"] is not None:
        lines.append(f"  standard uncertainty of a measured peak: {short(one['peak_u_counts'])} counts")
    figures = one["document"].get("figures", {})
    return [*lines, _type_1(figures) if one["kind"] == "type-1-study" else _gauge(figures)]


def _gauge(figures: Document) -> Any:
    headers = ["figure", "standing", "repeatability", "reproducibility", "interaction", "gauge", "parts", "gauge %", "categories"]
    sds = ("repeatability_sd", "reproducibility_sd", "interaction_sd", "gauge_sd", "part_sd")
    rows = [
        [
            name,
            one["standing"],
            *(short(one.get(sd)) for sd in sds),
            figure(one.get("gauge_percent"), 1),
            str(one["distinct_categories"]) if one.get("distinct_categories") is not None else "-",
        ]
        for name, one in figures.items()
    ]
    return table("Standard deviations, in the figure's own unit", headers, rows, left=2)


def _type_1(figures: Document) -> Any:
    headers = ["figure", "repeats", "reference", "bias", "sd", "Cg", "Cgk"]
    rows = [
        [
            name,
            str(one["repeats"]),
            short(one["reference"]),
            short(one["bias"]["value"]),
            short(one["repeatability_sd"]),
            figure(one["cg"], 2),
            figure(one["cgk"], 2),
        ]
        for name, one in figures.items()
    ]
    return table("", headers, rows)


def _figures(one: FigureTable) -> Any:
    headers = ["figure", "unit", "limits", *(name or "value" for name in one.columns)]
    rows = []
    for label, cells in one.rows:
        known = next(cell for cell in cells if cell is not None)
        rows.append([label, known.unit, known.limits or "-", *(_cell(cell) for cell in cells)])
    return table(f"{one.title.capitalize()}; with expanded uncertainty, k = 2", headers, rows, left=3)


def _cell(cell: Figure | None) -> str:
    if cell is None:
        return "-"
    return f"{cell.value} +- {cell.expanded}{' OUT' if cell.within is False else ''}"


def _deviation(one: Document) -> str:
    return f"{one['stick']} {one['place']} {one['figure']} {short(one['measured'])} for {short(one['value'])}"


def _count(values: Document) -> int:
    return sum(len(figures) for places in values.values() for figures in places.values())


def _rig(one: Document) -> str:
    return f"{one['rig']}{' (emulated)' if one['emulated'] else ''}"


def _accepted(one: Document) -> str:
    return "accepted" if one["accepted"] else "NOT accepted"


def _yes(value: bool) -> str:
    return "yes" if value else "NO"
