"""Rework: the work list, one order, what technicians record, the ledger of predictions and outcomes, and what it taught."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http import links
from api.http.bodies_rework import (
    Ending,
    EstimateBody,
    EstimateList,
    FittedPart,
    LedgerEntryBody,
    LedgerPage,
    OrderBody,
    OrderDetailBody,
    OrderPage,
)
from api.http.depends import ThePrincipal
from api.http.edits import TheEdit, tag_of
from api.http.rework import TheOrders, TheRework
from db.queries import PAGE_MAX
from db.rows_rework import LedgerFilter, OrderFilter

router = APIRouter(prefix="/v1/rework", tags=["rework"])

Number = Annotated[int, Path(ge=1, le=2**53)]


class WhichOrders(BaseModel):
    """Filters of the work list; all that are given must hold."""

    model_config = ConfigDict(extra="forbid")

    state: str = Field("active", description="active (open, fitted or retested), all, or one state")
    product: str | None = None
    lot: str | None = None
    serial: str | None = Field(None, description="beginning of the serial number")
    after: str | None = Field(None, description="where the page before ended")
    limit: int = Field(50, ge=1, le=PAGE_MAX)


class WhichEntries(BaseModel):
    """Filters of the ledger."""

    model_config = ConfigDict(extra="forbid")

    product: str | None = None
    lot: str | None = None
    emulated: bool | None = None
    after: str | None = Field(None, description="where the page before ended")
    limit: int = Field(50, ge=1, le=PAGE_MAX)


@router.get("")
def list_orders(which: Annotated[WhichOrders, Query()], orders: TheOrders, request: Request, response: Response) -> OrderPage:
    """The work list."""
    page = orders.orders(OrderFilter(which.state, which.product, which.lot, which.serial), which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return OrderPage(orders=[OrderBody.model_validate(row) for row in page.items], next=address)


@router.get("/ledger")
def ledger(which: Annotated[WhichEntries, Query()], orders: TheOrders, request: Request, response: Response) -> LedgerPage:
    """Predicted, measured, residual of every retest."""
    page = orders.ledger(LedgerFilter(which.product, which.lot, which.emulated), which.after, which.limit)
    address = links.following(request, page.next)
    links.announce(response, address)
    return LedgerPage(entries=[LedgerEntryBody.model_validate(row) for row in page.items], next=address)


@router.get("/estimates")
def estimates(
    orders: TheOrders, product: Annotated[str | None, Query()] = None, lot: Annotated[str | None, Query()] = None
) -> EstimateList:
    """What the ledger says of each lot's effective source resistance, all versions."""
    return EstimateList(estimates=[EstimateBody.model_validate(row) for row in orders.estimates(product, lot)])


@router.get("/{order}")
def one_order(order: Number, orders: TheOrders, response: Response) -> OrderDetailBody:
    """One order with its tries: advice, parts, retests, findings. Its ETag may be sent as If-Match with what is recorded."""
    return _tagged(OrderDetailBody.of(orders.order(order)), response)


@router.post("/{order}/fitted")
def record_part(
    order: Number, part: FittedPart, desk: TheRework, orders: TheOrders, principal: ThePrincipal, edit: TheEdit, response: Response
) -> OrderDetailBody:
    """Record what was fitted; the unit's next run knows of it. The same part again changes nothing; another corrects it."""
    with edit.of(lambda: OrderDetailBody.of(orders.order(order)).model_dump(mode="json")):
        desk.fit(order, part.stick, part.axis, part.part, part.operator or principal.name)
    return _tagged(OrderDetailBody.of(orders.order(order)), response)


@router.post("/{order}/scrap")
def scrap(
    order: Number, ending: Ending, desk: TheRework, orders: TheOrders, principal: ThePrincipal, edit: TheEdit, response: Response
) -> OrderDetailBody:
    """Scrap the unit for its stick module."""
    with edit.of(lambda: OrderDetailBody.of(orders.order(order)).model_dump(mode="json")):
        desk.scrap(order, ending.operator or principal.name, ending.cause)
    return _tagged(OrderDetailBody.of(orders.order(order)), response)


@router.post("/{order}/withdraw")
def withdraw(
    order: Number, ending: Ending, desk: TheRework, orders: TheOrders, principal: ThePrincipal, edit: TheEdit, response: Response
) -> OrderDetailBody:
    """Withdraw an order that is not to be worked on."""
    with edit.of(lambda: OrderDetailBody.of(orders.order(order)).model_dump(mode="json")):
        desk.withdraw(order, ending.operator or principal.name, ending.cause)
    return _tagged(OrderDetailBody.of(orders.order(order)), response)


def _tagged(body: OrderDetailBody, response: Response) -> OrderDetailBody:
    response.headers["ETag"] = tag_of(body.model_dump(mode="json"))
    return body
