"""Advice on a run, as kept when it was made or computed when it is asked for, and the traces it predicts."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import JSONResponse

from api.http.depends import TheQueries
from api.http.flicks import specification_of
from api.http.rework import TheOrders, TheRework
from api.http.routes.runs import Number
from api.pages.render import page
from db.queries import Queries
from db.queries.rework import ReworkQueries
from db.rows import RunDetail
from db.rows_rework import StoredAdvice
from station.errors import NotFound
from station.judge.advice_axis import Track
from station.judge.advice_traces import predicted_traces
from station.records import Fitted
from station.specification import Specification, parse_specification

router = APIRouter()

NO_TRACE: Final = "No trace of this run was kept, so that nothing can be computed from it. Test the unit again."
OPEN: Final = "This run has not ended."
DIGITS: Final = 2  # decimals of a count in a drawn trace: finer than a pixel

Stick = Annotated[str, Query(min_length=1, max_length=40)]
Ohm = Annotated[float | None, Query(gt=0, le=1e9, allow_inf_nan=False, description="track reckoned with, else the specification's")]


@dataclass(frozen=True, slots=True)
class AdviceShown:
    """Advice with what its pictures need. made_at: None when it was computed for this page. charts: by stick and axis, JSON-ready."""

    run: int
    made_at: datetime | None
    specification: Specification
    sticks: Mapping[str, Mapping[str, Any]]
    charts: Mapping[str, Mapping[str, Any]]


def advice_shown(queries: Queries, kept: StoredAdvice) -> AdviceShown:
    """Kept advice. Raises NotFound, SpecificationError."""
    spec = specification_of(queries, queries.run(kept.run).run.specification)
    return shown(kept.run, kept.made_at, kept.sticks, spec)


def shown(run: int, made_at: datetime | None, sticks: Mapping[str, Mapping[str, Any]], spec: Specification) -> AdviceShown:
    """Documents by stick, ready for the template."""
    charts = {stick: {axis: _chart(axis, one, spec) for axis, one in document["axes"].items()} for stick, document in sticks.items()}
    return AdviceShown(run, made_at, spec, sticks, charts)


def newest_advice(queries: Queries, orders: ReworkQueries, serial: str) -> AdviceShown | None:
    """Of a unit; None when none was made."""
    try:
        return advice_shown(queries, orders.newest_advice(serial))
    except NotFound:
        return None


@router.get("/runs/{number}/advice")
def advice_page(number: Number, request: Request, queries: TheQueries, orders: TheOrders) -> Response:
    """What every part in stock would do to the flicks of a run. What is not kept is fetched once the page stands."""
    detail, kept = queries.run(number), orders.advice(number)
    advice = None if kept is None else advice_shown(queries, kept)
    why_not = "" if advice else _why_not(detail)
    later = "" if advice or why_not else f"/runs/{number}/advice/now"
    return page(request, "advice.html", detail=detail, advice=advice, later=later, why_not=why_not)


@router.get("/runs/{number}/advice/now")
def advice_now(number: Number, request: Request, desk: TheRework) -> Response:
    """Advice computed for this answer; about half a second for a stick."""
    facts, documents = desk.advise(number)
    return page(request, "advice_answer.html", advice=shown(number, None, documents, parse_specification(facts.specification)))


@router.get("/runs/{number}/advice/traces")
def advice_traces(number: Number, orders: TheOrders, stick: Stick = "main", track_ohm: Ohm = None) -> Response:
    """The flick of each group that swings farthest, as measured and as it would be with each part: JSON for the drawing."""
    facts = orders.facts(number)
    spec = parse_specification(facts.specification)
    track = Track(track_ohm, 0.0) if track_ohm else None
    traces = predicted_traces(orders.recording(number, stick), spec, facts.acting.get(stick, Fitted()), track)
    groups = {group: _rounded(one) for group, one in traces.items()}
    return JSONResponse({"run": number, "stick": stick, "neutral_zone_counts": spec.host.neutral_zone_counts, "groups": groups})


def _why_not(detail: RunDetail) -> str:
    if not detail.run.verdict:
        return OPEN
    return "" if any(detail.traces.values()) else NO_TRACE


def _chart(axis: str, one: Mapping[str, Any], spec: Specification) -> dict[str, Any]:
    """Peaks and lags of the candidates of one axis, with the limits they are held against."""
    names = ("capacitance_f", "peak_counts", "added_lag_s", "chance_to_pass", "meets")
    return {
        "axis": axis,
        "fitted_f": one["fitted_f"],
        "recommended_f": one["recommended_f"],
        "zone_counts": spec.host.neutral_zone_counts,
        "lag_limit_s": spec.limits.added_lag_s,
        "candidates": [{name: candidate[name] for name in names} for candidate in one["candidates"]],
    }


def _rounded(one: Mapping[str, Any]) -> dict[str, Any]:
    candidates = [{"capacitance_f": part["capacitance_f"], "counts": _few(part["counts"])} for part in one["candidates"]]
    times_s = [round(value, 6) for value in one["t_s"]]
    return {"t_s": times_s, "measured_counts": _few(one["measured_counts"]), "candidates": candidates}


def _few(values: list[float]) -> list[float]:
    return [round(value, DIGITS) for value in values]
