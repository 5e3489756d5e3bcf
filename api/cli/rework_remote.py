"""Rework at a station at an address, over its HTTP API."""

from urllib.parse import quote

import httpx

from api.cli.records import Document, Question
from api.cli.remote import RemoteRecords

PATHS = {"orders": "/v1/rework", "entries": "/v1/rework/ledger"}


class RemoteRework(RemoteRecords):
    """Implements api.cli.rework_places.Rework. Nothing that records is tried twice."""

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        answer = self._get(PATHS[what], {**question, "limit": str(limit), **({"after": after} if after else {})})
        return list(answer[what]), None if answer["next"] is None else httpx.URL(answer["next"]).params["after"]

    def estimates(self, question: Question) -> list[Document]:
        return list(self._get("/v1/rework/estimates", question)["estimates"])

    def order(self, number: int) -> Document:
        return self._get(f"/v1/rework/{number}", {})

    def fit(self, number: int, stick: str, axis: str, part: str, operator: str) -> Document:
        return self._answer("POST", f"/v1/rework/{number}/fitted", {}, {"stick": stick, "axis": axis, "part": part, "operator": operator})

    def end(self, number: int, how: str, operator: str, cause: str) -> Document:
        return self._answer("POST", f"/v1/rework/{number}/{how}", {}, {"operator": operator, "cause": cause})

    def lot(self, product: str, lot: str) -> Document:
        return self._answer("GET", f"/v1/lots/{quote(lot, safe='')}/advice", {"product": product}, None)
