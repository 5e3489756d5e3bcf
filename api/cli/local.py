"""Records from a database of this machine, in the very shape the API gives them. Read-only."""

from types import TracebackType
from typing import Self

from api.cli.options import instant
from api.cli.records import Document, Question
from api.http.bodies import RunBody, RunDetailBody, UnitBody, UnitDetailBody
from db.migrate import require_current
from db.queries import Queries
from db.rows import Cursor, RunFilter


class LocalRecords:
    """Raises SchemaMismatch, StoreUnavailable when the database is not there or of another revision."""

    def __init__(self, url: str) -> None:
        require_current(url)
        self.queries = Queries(url)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.queries.close()

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        if what == "units":
            units = self.queries.units(question.get("serial", ""), after, limit)
            return [UnitBody.model_validate(row).model_dump(mode="json") for row in units.items], units.next
        runs = self.queries.runs(_filter(question), None if after is None else Cursor.decode(after), limit)
        return [RunBody.model_validate(row).model_dump(mode="json") for row in runs.items], runs.next

    def run(self, number: int) -> Document:
        return RunDetailBody.model_validate(self.queries.run(number)).model_dump(mode="json")

    def unit(self, serial: str) -> Document:
        return UnitDetailBody.model_validate(self.queries.unit(serial)).model_dump(mode="json")


def _filter(question: Question) -> RunFilter:
    """The question as the database takes it; names as in the API's list of runs."""
    emulated = question.get("emulated")
    return RunFilter(
        since=instant("--since", question.get("since", "")),
        until=instant("--until", question.get("until", "")),
        product=question.get("product"),
        lot=question.get("lot"),
        rig=question.get("rig"),
        verdict=question.get("verdict"),
        reason=question.get("reason"),
        serial_prefix=question.get("serial"),
        emulated=None if emulated is None else emulated == "true",
    )
