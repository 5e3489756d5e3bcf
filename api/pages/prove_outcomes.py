"""What came of procedures: a calibration, a study, a check of a reference unit; and the control charts."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response

from api.http.proof import TheChart, TheKept, TheProof, chart_text
from api.pages.prove_words import figure_name, figure_rows, in_limits, unit_of
from api.pages.render import page
from station.proof import ChartKey, Kind

router = APIRouter()

Number = Annotated[int, Path(ge=1, le=2**53)]


@router.get("/prove/calibrations/{number}")
def calibration(number: Number, request: Request, kept: TheKept) -> Response:
    """All figures of a calibration with uncertainty and limits, and its residuals."""
    found = kept.calibration(number)
    document = found.document
    directions = document.get("directions", {})
    shown: dict[str, Any] = {
        "one": found,
        "directions": [(group, figure_rows(figures)) for group, figures in directions.items()],
        "whole": figure_rows(document.get("rig", {})),
        "groups": list(document.get("residuals", {})),
    }
    return page(request, "prove_calibration.html", **shown)


@router.get("/prove/checks/{number}")
def check(number: Number, request: Request, kept: TheKept) -> Response:
    """One measurement of a reference unit against its values."""
    found = kept.check(number)
    keys = [ChartKey("reference", found.rig, found.product, "", f"{one.stick} {one.place} {one.figure}") for one in found.deviations]
    shown: dict[str, Any] = {
        "one": found,
        "places": [(one, in_limits(one)) for one in found.deviations],
        "keys": [chart_text(key) for key in keys],
        "figure_name": figure_name,
        "unit_of": unit_of,
    }
    return page(request, "prove_check.html", **shown)


@router.get("/prove/studies/{number}")
def study(number: Number, request: Request, kept: TheKept) -> Response:
    """A gauge study or a type 1 study, figure by figure."""
    found = kept.study(number)
    figures = found.document.get("figures", {})
    return page(request, "prove_study.html", one=found, figures=figures, crossed=found.kind is Kind.GAUGE_STUDY)


@router.get("/prove/chart")
def chart(chart: TheChart, request: Request, proof: TheProof) -> Response:
    """A control chart with its rules, signals and notes."""
    found = proof.chart(chart)
    return page(request, "prove_chart.html", chart=found, key=chart_text(chart))
