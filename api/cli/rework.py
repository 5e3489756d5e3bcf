"""`restpoint rework`: the work list of failed units, what was fitted, and what retests taught."""

from typing import Annotated, Any

import typer

from api.cli.options import AsJson
from api.cli.output import emit, emit_json, show
from api.cli.records import LIMIT, PAGE_MAX, After, ConfigFile, DatabaseUrl, Document, Limit, Place, Question, Server, TokenFile
from api.cli.rework_places import Rework, open_rework
from api.cli.rework_view import estimates_table, ledger_table, lot_lines, order_lines, orders_table

Order = Annotated[int, typer.Argument(min=1, metavar="ORDER", help="Number of the order.")]
State = Annotated[str, typer.Option("--state", help="active (open, fitted or retested), all, or one state.")]
Product = Annotated[str, typer.Option("--product", help="Only this product.")]
Lot = Annotated[str, typer.Option("--lot", help="Only sticks of this lot.")]
Serial = Annotated[str, typer.Option("--serial", metavar="BEGINNING", help="Only units whose serial number begins so.")]
Emulated = Annotated[bool | None, typer.Option("--emulated/--real", help="Only retests on emulated, or on real rigs.")]
Axis = Annotated[str, typer.Option("--axis", help="x or y.")]
Stick = Annotated[str, typer.Option("--stick", help="Which stick; main where there is only one.")]
PartText = Annotated[str, typer.Option("--part", help="As printed or written: 474, 0.47uF, 470n; none for no part.")]
Operator = Annotated[str, typer.Option("--operator", help="Who did it; with --server the token's name if left out.")]
Cause = Annotated[str, typer.Option("--cause", help="Why.")]
LotName = Annotated[str, typer.Argument(metavar="LOT", help="Stick lot, such as ML-2607.")]
OfProduct = Annotated[str, typer.Option("--product", help="Product that the sticks are for.")]


def list_orders(
    state: State = "active",
    product: Product = "",
    lot: Lot = "",
    serial: Serial = "",
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """List orders: what waits longest first; ended ones newest first."""
    question = _question(state=state, product=product, lot=lot, serial=serial)
    with open_rework(Place(server, token_file, database, config)) as rework:
        found, more = _gather(rework, "orders", question, after, limit)
    if as_json:
        return emit_json({"format": "restpoint-rework/1", "orders": found, "next": more})
    return show(orders_table(found) if found else "No orders.", *([f"More: --after {more}"] if more else []))


def show_order(
    order: Order,
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Show one order: its advice, where the part goes, what was fitted, what retests found."""
    with open_rework(Place(server, token_file, database, config)) as rework:
        one = rework.order(order)
    _show_one(one, as_json)


def fit(
    order: Order,
    axis: Axis,
    part: PartText,
    stick: Stick = "main",
    operator: Operator = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Record what was fitted; then test the unit again."""
    with open_rework(Place(server, token_file, database, config)) as rework:
        one = rework.fit(order, stick, axis, part, operator)
    if as_json:
        return _show_one(one, as_json)
    return emit(f"done: order {order} is {one['state']}, try {one['tries']} of {one['tries_max']}; test unit {one['unit']['serial']} again")


def scrap(
    order: Order,
    cause: Cause,
    operator: Operator = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Scrap the unit for its stick module."""
    _end("scrap", order, operator, cause, Place(server, token_file, database, config), as_json)


def withdraw(
    order: Order,
    cause: Cause,
    operator: Operator = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Withdraw an order that is not to be worked on."""
    _end("withdraw", order, operator, cause, Place(server, token_file, database, config), as_json)


def ledger(
    product: Product = "",
    lot: Lot = "",
    emulated: Emulated = None,
    limit: Limit = None,
    after: After = "",
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Show predicted, measured and residual peaks of all retests, and what they say of each lot's source resistance."""
    question = _question(product=product, lot=lot, emulated="" if emulated is None else str(emulated).lower())
    with open_rework(Place(server, token_file, database, config)) as rework:
        found, more = _gather(rework, "entries", question, after, limit)
        estimates = rework.estimates(_question(product=product, lot=lot))
    if as_json:
        return emit_json({"format": "restpoint-ledger/1", "entries": found, "next": more, "estimates": estimates})
    lines = [ledger_table(found) if found else "No retests yet.", *([f"More: --after {more}"] if more else [])]
    return show(*lines, *([estimates_table(estimates)] if estimates else []))


def lot(
    lot: LotName,
    product: OfProduct,
    server: Server = "",
    token_file: TokenFile = None,
    database: DatabaseUrl = "",
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Say which single part would make the largest share of a stick lot pass, and what it costs in lag."""
    with open_rework(Place(server, token_file, database, config)) as rework:
        one = rework.lot(product, lot)
    return emit_json(one) if as_json else show(*lot_lines(one))


def _end(how: str, order: int, operator: str, cause: str, place: Place, as_json: bool) -> None:
    with open_rework(place) as rework:
        one = rework.end(order, how, operator, cause)
    if as_json:
        return _show_one(one, as_json)
    return emit(f"done: order {order} of unit {one['unit']['serial']} is {one['state']}")


def _show_one(one: Document, as_json: bool) -> None:
    return emit_json({"format": "restpoint-rework-order/1", **one}) if as_json else show(*order_lines(one))


def _question(**values: str) -> Question:
    return {key: value for key, value in values.items() if value}


def _gather(rework: Rework, what: str, question: Question, after: str, limit: int | None) -> tuple[list[Document], str | None]:
    """As many rows as wished, page by page, and the cursor to go on with."""
    wanted, cursor = LIMIT if limit is None else limit, after or None
    found: list[Document] = []
    while True:
        rows, cursor = rework.page(what, question, cursor, min(PAGE_MAX, wanted - len(found)))
        found.extend(rows)
        if cursor is None or len(found) >= wanted:
            return found, cursor


COMMANDS: dict[str, Any] = {
    "list": list_orders,
    "show": show_order,
    "fit": fit,
    "scrap": scrap,
    "withdraw": withdraw,
    "ledger": ledger,
    "lot": lot,
}


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Rework: the work list, what was fitted, what retests taught.", no_args_is_help=True)
    for name, command in COMMANDS.items():
        group.command(name)(command)
    app.add_typer(group, name="rework")
