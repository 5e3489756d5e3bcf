"""Figures and pictures of a run's flicks, from what the database kept."""

import math
from typing import Any

from api.http import traces
from api.http.bodies import FlicksBody, OverlaidFlick, OverlaidGroup, OverlayBody
from db.queries import Queries
from station.errors import NotFound
from station.quantities import GROUPS
from station.records import FlickTable, Floats
from station.specification import Specification, parse_specification


def known(values: Floats) -> list[float | None]:
    """A column as JSON has it: null for what is not known."""
    return [value if math.isfinite(value) else None for value in values.tolist()]


def flicks_body(number: int, stick: str, table: FlickTable) -> FlicksBody:
    """All columns of a table."""
    return FlicksBody(
        run=number,
        stick=stick,
        group=[GROUPS[index] for index in table.group.tolist()],
        columns={name: known(values) for name, values in table.columns.items()},
        flags=[list(flags) for flags in table.flags],
    )


def specification_of(queries: Queries, label: str) -> Specification:
    """The revision a run was judged by. Raises NotFound, SpecificationError."""
    name, _, revision = label.rpartition(" ")
    return parse_specification(queries.specification_text(name, revision))


def overlay_body(queries: Queries, number: int, stick: str, most: int, span_s: tuple[float, float]) -> OverlayBody:
    """Flicks cut out of the kept trace. Raises NotFound when no trace, no such stick, or no rest was kept."""
    detail = queries.run(number)
    if stick not in detail.sticks:
        raise NotFound(f"run {number} has no score of stick {stick!r}; expected one of: {', '.join(detail.sticks) or 'none'}")
    specification = specification_of(queries, detail.run.specification)
    recording, table = queries.recording(number, stick), queries.flicks(number, stick)
    count_v = specification.count_v(recording.supply_v)
    cut = traces.Cut(*span_s, rest_v=_rest_v(detail.sticks[stick].figures, count_v, number), count_v=count_v)
    cuts = traces.overlay(recording, table, cut, most)
    zone = specification.host.neutral_zone_counts
    groups = {group: _group(table, index, cuts[group], zone) for index, group in enumerate(GROUPS)}
    return OverlayBody(run=number, stick=stick, neutral_zone_counts=zone, groups=groups)


def _rest_v(figures: Any, count_v: float, number: int) -> dict[str, float]:
    rest = figures.get("rest_counts") or {}
    if rest.get("x") is None or rest.get("y") is None:
        raise NotFound(f"run {number} has no measured rest, so its flicks cannot be drawn over each other")
    return {axis: float(rest[axis]) * count_v for axis in ("x", "y")}


def _group(table: FlickTable, index: int, cuts: list[traces.Overlaid], zone: float) -> OverlaidGroup:
    peaks = table.columns["peak_counts"]
    drawn = [
        OverlaidFlick(
            flick=one.flick,
            t_first_s=one.t_first_s,
            step_s=one.step_s,
            peak_counts=known(peaks[one.flick : one.flick + 1])[0],
            over_zone=bool(peaks[one.flick] > zone),
            deflection_counts=one.deflection_counts.round(2).tolist(),
        )
        for one in cuts
    ]
    return OverlaidGroup(flicks=int((table.group == index).sum()), drawn=drawn, peaks_counts=known(peaks[table.group == index]))
