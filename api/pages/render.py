"""From a template and values to a page. Everything is escaped; a value that a template asks for and nobody gave is a defect."""

from dataclasses import dataclass
from functools import cache
from typing import Any, cast

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from api.http.access import Access, Principal
from api.http.gate import COOKIE
from api.http.problems import Problem
from api.http.settings import WebSettings
from api.pages import show, words
from station.errors import AccessDenied
from station.ports.desk import Desk, RigView


@dataclass(frozen=True, slots=True)
class PageFrame:
    """What stands around every page. emulated: one plain sentence when any rig is not a real one, else empty."""

    station: str
    version: str
    zone: str
    path: str
    nonce: str
    rigs: tuple[RigView, ...]
    emulated: str
    signed_in: str
    request_token: str


def page(request: Request, template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """An HTML page of the station."""
    frame = _frame(request)
    html = _environment().get_template(template).render(page=frame, zone=_settings(request).zone_info, **values)
    return HTMLResponse(html, status)


def problem_as_page(request: Request, problem: Problem, advice: str) -> HTMLResponse:
    """A problem for people."""
    return page(request, "problem.html", problem.status, problem=problem, advice=advice)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("api.pages"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    for function in (
        show.local_time,
        show.figure,
        show.sensible,
        show.with_unit,
        show.milliseconds,
        show.percent,
        show.farads,
        show.duration,
    ):
        environment.filters[function.__name__] = function
    environment.globals["verdict_words"] = words.VERDICTS
    environment.globals["rig_words"] = words.rig_words
    environment.globals["reasons_shown"] = words.reasons_shown
    return environment


def _frame(request: Request) -> PageFrame:
    settings = _settings(request)
    rigs = tuple(cast(Desk, request.app.state.desk).rigs())
    name, token = _signed_in(request)
    return PageFrame(
        station=settings.station,
        version=settings.version,
        zone=settings.zone,
        path=request.url.path,
        nonce=request.state.nonce,
        rigs=rigs if hasattr(request.state, "principal") else (),
        emulated=_emulated(rigs),
        signed_in=name,
        request_token=token,
    )


def _emulated(rigs: tuple[RigView, ...]) -> str:
    names = [rig.name for rig in rigs if rig.emulated]
    if not names:
        return ""
    subject = "All rigs are emulated" if len(names) == len(rigs) else f"Rig {', '.join(names)} is emulated"
    return f"{subject}: no real unit is tested there, and nothing of it counts as yield."


def _signed_in(request: Request) -> tuple[str, str]:
    principal = cast(Principal | None, getattr(request.state, "principal", None))
    if principal is None or not principal.by_pass:
        return "", ""
    try:
        return principal.name, cast(Access, request.app.state.access).request_token(request.cookies.get(COOKIE, ""))
    except AccessDenied:
        return "", ""


def _settings(request: Request) -> WebSettings:
    return cast(WebSettings, request.app.state.settings)
