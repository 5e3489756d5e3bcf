"""Rework on a database of this machine, in the very shape the API gives it. A service that runs on it sees at once what was recorded."""

from types import TracebackType
from typing import Self

from api.cli.records import Document, Question
from api.clock import SystemClock
from api.http.bodies_rework import EstimateBody, LedgerEntryBody, OrderBody, OrderDetailBody
from db.engine import Database
from db.migrate import require_current
from db.rework import ReworkStore
from db.rows_rework import LedgerFilter, OrderFilter
from station.service.rework_desk import OrderDesk


class LocalRework:
    """Implements api.cli.rework_places.Rework. Raises SchemaMismatch, StoreUnavailable for a database we cannot use."""

    def __init__(self, url: str) -> None:
        require_current(url)
        self.store = ReworkStore(Database(url), station="")
        self.desk = OrderDesk(self.store, SystemClock(), {}, _unheard)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.store.database.close()

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        product, lot = question.get("product"), question.get("lot")
        if what == "entries":
            emulated = question.get("emulated")
            which = LedgerFilter(product, lot, None if emulated is None else emulated == "true")
            entries = self.store.ledger(which, after, limit)
            return [LedgerEntryBody.model_validate(row).model_dump(mode="json") for row in entries.items], entries.next
        orders = self.store.orders(OrderFilter(question.get("state", "active"), product, lot, question.get("serial")), after, limit)
        return [OrderBody.model_validate(row).model_dump(mode="json") for row in orders.items], orders.next

    def estimates(self, question: Question) -> list[Document]:
        rows = self.store.estimates(question.get("product"), question.get("lot"))
        return [EstimateBody.model_validate(row).model_dump(mode="json") for row in rows]

    def order(self, number: int) -> Document:
        return OrderDetailBody.of(self.store.order(number)).model_dump(mode="json")

    def fit(self, number: int, stick: str, axis: str, part: str, operator: str) -> Document:
        self.desk.fit(number, stick, axis, part, operator)
        return self.order(number)

    def end(self, number: int, how: str, operator: str, cause: str) -> Document:
        (self.desk.scrap if how == "scrap" else self.desk.withdraw)(number, operator, cause)
        return self.order(number)

    def lot(self, product: str, lot: str) -> Document:
        from station.service.lots import lot_view
        from station.service.reckoner import StationReckoning

        return lot_view(self.store, StationReckoning(), SystemClock(), product, lot)


def _unheard(_order: int, _sentence: str) -> None:
    """Nobody watches a database without a service."""
