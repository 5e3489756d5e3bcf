"""What routes about rework ask for: the desk where parts are recorded, and the questions to the database."""

from typing import Annotated, cast

from fastapi import Depends, Request

from api.http.depends import TheQueries
from db.queries.rework import ReworkQueries
from station.errors import NotReady
from station.ports.rework import ReworkDesk


def _orders(queries: TheQueries) -> ReworkQueries:
    return ReworkQueries(queries.database)


def _desk(request: Request) -> ReworkDesk:
    desk = cast(ReworkDesk | None, request.app.state.rework)
    if desk is None:
        raise NotReady("this service only reads: it was built without a rework desk")
    return desk


TheOrders = Annotated[ReworkQueries, Depends(_orders)]
TheRework = Annotated[ReworkDesk, Depends(_desk)]
