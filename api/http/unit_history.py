"""Everything that is known of a unit: as one answer, and as the words of its report on paper."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final
from urllib.parse import quote

from api.http import traces
from api.http.bodies import UnitDetailBody, UnitName
from api.http.bodies_rework import AdviceBody, OrderBody
from api.http.bodies_yields import TraceLinks, UnitHistoryBody
from api.http.flicks import specification_of
from api.pages import show
from api.pages.limits import LimitRow, axis_rows, group_rows
from api.pages.words import reason_shown
from api.reports.words import (
    AdviceLine,
    FigureCell,
    FigureRow,
    FlickTrace,
    GroupLine,
    NewestRun,
    Reason,
    RunLine,
    StickReport,
    StickTrace,
    UnitReport,
)
from db.queries import Queries
from db.queries.exports import ExportQueries
from db.queries.rework import ReworkQueries
from db.rows import RunDetail, RunRow, StickDetail, UnitDetail
from db.rows_rework import StoredAdvice
from station.errors import NotFound
from station.judge.advice_words import CAUTIONS
from station.quantities import GROUPS
from station.records import Recording
from station.specification import Specification

FLICKS_DRAWN: Final = 5  # of each group, those with the largest peaks: as many as can be told apart on paper
SPAN_S: Final = (0.01, 0.09)  # before and after release; the span of a run's page


class UnitFile:
    """What is asked of one unit. Every method raises NotFound, StoreError."""

    def __init__(self, queries: Queries) -> None:
        self.queries = queries
        self.orders = ReworkQueries(queries.database)
        self.exports = ExportQueries(queries.database)

    def history(self, serial: str) -> UnitHistoryBody:
        """In one answer."""
        detail = self.queries.unit(serial)
        same = {name: getattr(UnitDetailBody.model_validate(detail), name) for name in UnitDetailBody.model_fields}
        advice = self._advice(serial)
        return UnitHistoryBody(
            **same,
            orders=[OrderBody.model_validate(row) for row in self.orders.orders_of(serial)],
            advice=None if advice is None else advice_body(advice),
            traces=[TraceLinks.of(row.run, row.stick, row.samples) for row in self.exports.traces_of(serial)],
            report=f"/v1/units/{quote(serial, safe='')}/report",
        )

    def report(self, serial: str, station: str, zone: str) -> UnitReport:
        """For paper. made_at: when what is known of the unit last changed."""
        detail, advice = self.queries.unit(serial), self._advice(serial)
        newest = self._newest(detail.runs[0]) if detail.runs else None
        return UnitReport(
            serial=detail.unit.serial,
            product=detail.unit.product,
            lot=detail.unit.lot,
            station=station,
            zone=zone,
            made_at=_changed_at(detail, advice),
            first_seen_at=detail.first_seen_at,
            runs=tuple(run_line(run) for run in detail.runs),
            newest=newest,
            advice=() if advice is None else advice_lines(advice),
            cautions=() if advice is None else tuple(CAUTIONS),
        )

    def _advice(self, serial: str) -> StoredAdvice | None:
        try:
            return self.orders.newest_advice(serial)
        except NotFound:
            return None

    def _newest(self, run: RunRow) -> NewestRun:
        detail = self.queries.run(run.number)
        specification = specification_of(self.queries, run.specification)
        return NewestRun(
            run=run_line(run),
            rig_id=run.rig_id,
            firmware=detail.firmware,
            software=detail.software,
            calibration=detail.calibration,
            explanation=detail.explanation,
            reasons=tuple(Reason(one.code, one.sentence) for one in map(reason_shown, run.reasons)),
            fitted={f"{stick} {axis}": show.farads(getattr(one, f"{axis}_f")) for stick, one in detail.fitted.items() for axis in "xy"},
            sticks=tuple(self._stick(detail, stick, specification) for stick in detail.sticks.values()),
        )

    def _stick(self, detail: RunDetail, stick: StickDetail, specification: Specification) -> StickReport:
        trace, flicks = self._traces(detail, stick, specification)
        return StickReport(
            stick=stick.stick,
            verdict=stick.verdict,
            zone_counts=specification.host.neutral_zone_counts,
            groups=tuple(GroupLine(name, str(one["verdict"]), one["flicks"], one["flicks_used"]) for name, one in stick.groups.items()),
            group_rows=tuple(map(figure_row, group_rows(stick, specification))),
            axis_rows=tuple(map(figure_row, axis_rows(stick, specification))),
            trace=trace,
            flicks=flicks,
        )

    def _traces(
        self, detail: RunDetail, stick: StickDetail, specification: Specification
    ) -> tuple[StickTrace | None, tuple[FlickTrace, ...]]:
        """Nothing to draw without a kept trace, or without the rest it is drawn from."""
        rest = _rest_counts(stick.figures)
        if not detail.traces.get(stick.stick) or rest is None:
            return None, ()
        recording = self.queries.recording(detail.run.number, stick.stick)
        count_v = specification.count_v(recording.supply_v)
        return stick_trace(recording, count_v, rest), self._flicks(detail, stick.stick, recording, count_v, specification)

    def _flicks(
        self, detail: RunDetail, stick: str, recording: Recording, count_v: float, specification: Specification
    ) -> tuple[FlickTrace, ...]:
        table, rest = self.queries.flicks(detail.run.number, stick), _rest_counts(detail.sticks[stick].figures) or {}
        cut = traces.Cut(*SPAN_S, rest_v={axis: level * count_v for axis, level in rest.items()}, count_v=count_v)
        cuts = traces.overlay(recording, table, cut, FLICKS_DRAWN)
        peaks, zone = table.columns["peak_counts"], specification.host.neutral_zone_counts
        return tuple(
            FlickTrace(group, one.t_first_s, one.step_s, one.deflection_counts, bool(peaks[one.flick] > zone))
            for group in GROUPS
            for one in cuts[group]
        )


def advice_body(kept: StoredAdvice) -> AdviceBody:
    """Body of kept advice."""
    return AdviceBody(run=kept.run, unit=UnitName.model_validate(kept.unit), made_at=kept.made_at, sticks=kept.sticks)


def advice_lines(kept: StoredAdvice) -> tuple[AdviceLine, ...]:
    """Advice in short."""
    return tuple(
        AdviceLine(stick, axis, show.farads(one["fitted_f"]), _recommended(one), str(one["reason"]))
        for stick, document in kept.sticks.items()
        for axis, one in document["axes"].items()
    )


def run_line(run: RunRow) -> RunLine:
    """A run in the history."""
    same = {name: getattr(run, name) for name in ("number", "started_at", "rig", "specification", "operator", "emulated", "reasons")}
    return RunLine(**same, verdict=run.verdict or "")


def figure_row(row: LimitRow) -> FigureRow:
    """A figure as the page of a run shows it."""
    cells = {name: FigureCell(one.value, one.uncertainty, one.standing, one.calls, one.note) for name, one in row.cells.items()}
    return FigureRow(row.label, row.unit, row.limit, cells)


def stick_trace(recording: Recording, count_v: float, rest: Mapping[str, float]) -> StickTrace:
    """A recording as deflection in counts."""
    x, y = recording.x_v / count_v - rest["x"], recording.y_v / count_v - rest["y"]
    return StickTrace(recording.rate_hz, recording.t_first_s, x, y)


def _recommended(one: Mapping[str, Any]) -> str:
    if one["recommended_f"] is None:
        return "no part will do"
    return f"{show.farads(one['recommended_f'])} ({one['marking']})" if one["recommended_f"] else "none"


def _rest_counts(figures: Mapping[str, Any]) -> dict[str, float] | None:
    rest = figures.get("rest_counts") or {}
    if rest.get("x") is None or rest.get("y") is None:
        return None
    return {axis: float(rest[axis]) for axis in ("x", "y")}


def _changed_at(detail: UnitDetail, advice: StoredAdvice | None) -> datetime:
    runs = [run.ended_at or run.started_at for run in detail.runs]
    return max([detail.first_seen_at, *runs, *(part.at for part in detail.parts), *([advice.made_at] if advice else [])])
