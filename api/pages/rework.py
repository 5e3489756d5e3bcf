"""Rework: what to solder today, one order with the form that records what was fitted, and the order of a scanned unit."""

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from api.http import links
from api.http.depends import TheQueries, TheSettings
from api.http.flicks import specification_of
from api.http.rework import TheOrders
from api.pages.pad_maps import pad_map_of
from api.pages.render import page
from api.pages.work_list import HEADS, OUTCOME_WORDS, STATE_WORDS, by_stage, item_of, needed, picks, places
from db.queries import Queries
from db.rows_rework import OrderFilter, TryRow
from station.judge.advice_words import CAUTIONS
from station.rework import ACTIVE, Computed

router = APIRouter()

ORDERS_PER_PAGE = 40
TITLES = {"active": "Work list", "closed": "Closed orders", "scrapped": "Scrapped", "withdrawn": "Withdrawn", "all": "All orders"}

Number = Annotated[int, Path(ge=1, le=2**53)]
Text = Annotated[str, Query(max_length=64)]
After = Annotated[str | None, Query(max_length=20)]


@router.get("/rework")
def work_list(
    request: Request, orders: TheOrders, settings: TheSettings, product: Text = "", lot: Text = "", after: After = None
) -> Response:
    """What to do today, by what each order waits for."""
    found = orders.orders(OrderFilter("active", product or None, lot or None), after, ORDERS_PER_PAGE)
    items = [item_of(orders.order(row.order)) for row in found.items]
    products = sorted({item.order.unit.product for item in items})
    shown: dict[str, Any] = {
        "stages": by_stage(items),
        "heads": HEADS,
        "needed": needed(items),
        "maps": [one for one in (pad_map_of(request, name) for name in products) if one is not None],
        "asked": {"product": product, "lot": lot},
        "following": links.following(request, found.next),
        "cautions": (*CAUTIONS, *settings.cautions),
    }
    return page(request, "rework.html", **shown)


@router.get("/rework/orders")
def order_list(
    request: Request, orders: TheOrders, state: Text = "all", serial: Text = "", product: Text = "", lot: Text = "", after: After = None
) -> Response:
    """Orders of any state in a plain list."""
    prefix = serial.strip().upper()
    found = orders.orders(OrderFilter(state, product or None, lot or None, prefix or None), after, ORDERS_PER_PAGE)
    asked = {"state": state, "serial": prefix, "product": product, "lot": lot}
    following = links.following(request, found.next)
    return page(request, "orders.html", orders=found.items, asked=asked, titles=TITLES, state_words=STATE_WORDS, following=following)


@router.get("/rework/unit")
def order_of_unit(orders: TheOrders, serial: Text = "") -> Response:
    """A scanned unit leads to its order: the one that is not ended, else to the list of those it had."""
    wanted = serial.strip().upper()
    mine = orders.orders_of(wanted)
    active = [row.order for row in mine if row.state in ACTIVE]
    former = f"/rework/orders?{urlencode({'state': 'all', 'serial': wanted})}"
    return RedirectResponse(f"/rework/{active[0]}" if active else former, 303)


@router.get("/rework/{order}")
def order_page(order: Number, request: Request, orders: TheOrders, queries: TheQueries, settings: TheSettings) -> Response:
    """One order: what to do, where, how; what was fitted; what the retests show."""
    detail = orders.order(order)
    row, newest = detail.order, detail.tries[-1]
    active = row.state in ACTIVE
    specification = specification_of(queries, row.specification)
    shown: dict[str, Any] = {
        "detail": detail,
        "order": row,
        "newest": newest,
        "item": item_of(detail) if active else None,
        "active": active,
        "state_words": STATE_WORDS,
        "outcome_words": OUTCOME_WORDS,
        "map": pad_map_of(request, row.unit.product),
        "places": places(newest, _sticks(queries, newest)) if active else [],
        "picks": picks(specification.stock.values_f),
        "cautions": (*CAUTIONS, *settings.cautions),
        "advised": newest.advice == Computed.MADE,
    }
    return page(request, "rework_order.html", **shown)


def _sticks(queries: Queries, newest: TryRow) -> list[str]:
    """Of the run that the advice is from."""
    found = queries.run(newest.advice_run)
    return list(found.sticks or found.fitted or ("main",))
