"""What route functions ask for. All of it was handed to build_app and lies at `app.state`; nothing is global."""

from typing import Annotated, cast

from fastapi import Depends, Request

from api.http.access import Principal
from api.http.settings import WebSettings
from api.http.streams import EventStreams
from db.queries import Queries
from station.ports.desk import Desk


def _desk(request: Request) -> Desk:
    return cast(Desk, request.app.state.desk)


def _queries(request: Request) -> Queries:
    return cast(Queries, request.app.state.queries)


def _settings(request: Request) -> WebSettings:
    return cast(WebSettings, request.app.state.settings)


def _streams(request: Request) -> EventStreams:
    return cast(EventStreams, request.app.state.streams)


def _principal(request: Request) -> Principal:
    return cast(Principal, request.state.principal)


TheDesk = Annotated[Desk, Depends(_desk)]
TheQueries = Annotated[Queries, Depends(_queries)]
TheSettings = Annotated[WebSettings, Depends(_settings)]
TheStreams = Annotated[EventStreams, Depends(_streams)]
ThePrincipal = Annotated[Principal, Depends(_principal)]
