"""Reports and files from a database of this machine, made as a station makes them. Read-only."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Any, Self, TypeVar

from pydantic import BaseModel, ValidationError

from api.cli.records import Document, Question
from api.cli.yields_places import Download, Wanted, What
from api.config import StationSection
from api.http.formats import Form
from api.http.papers import FailedList, Paper, failed_paper, history_paper, trace_csv, trace_raw, unit_paper, yield_paper
from api.http.unit_history import UnitFile
from api.http.yields import AskedFailedFile, AskedFile, Reports
from api.reports.documents import yield_json
from db.migrate import require_current
from db.queries import Queries
from station.errors import UsageError
from station.shifts import Shifts, shift_times

Model = TypeVar("Model", bound=BaseModel)


class LocalYields:
    """Implements api.cli.yields_places.Yields. section: name, zone and shifts of the station that the database is of."""

    def __init__(self, url: str, section: StationSection) -> None:
        require_current(url)
        self.queries = Queries(url)
        self.reports = Reports(self.queries.database, section.name, Shifts(section.zone, shift_times(section.shifts)))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        self.queries.close()

    def report(self, question: Question) -> Document:
        which = _asked(AskedFile, question)
        document: Any = json.loads(yield_json(self.reports.report(which.asked(which.split))))
        return dict(document)

    @contextmanager
    def file(self, wanted: Wanted) -> Iterator[Download]:
        form = Form(wanted.form)
        if wanted.what is What.FAILED:
            yield self._failed(_asked(AskedFailedFile, wanted.question), form)
            return
        paper = self._paper(wanted, form)
        yield Download(iter(paper.pieces), None)

    def _paper(self, wanted: Wanted, form: Form) -> Paper:
        if wanted.what is What.YIELD:
            which = _asked(AskedFile, wanted.question)
            return yield_paper(self.reports.report(which.asked(which.split)), form, which.part, which.dialect)
        if wanted.what is What.UNIT:
            unit, serial = UnitFile(self.queries), wanted.key
            if form is Form.JSON:
                return history_paper(unit.history(serial))
            return unit_paper(unit.report(serial, self.reports.station, self.reports.zone))
        number, stick = int(wanted.key), wanted.question["stick"]
        make = trace_raw if form is Form.RAW else trace_csv
        return make(self.queries.recording(number, stick), number, stick)

    def _failed(self, which: AskedFailedFile, form: Form) -> Download:
        asked, filters, exports = which.asked(), which.which(), self.reports.exports
        after = exports.cursor_of(which.after) if which.after else None
        count = exports.count_failed(asked, self.reports.zone, filters, after)
        rows = self.reports.failed_rows(asked, filters, after, count)
        listed = FailedList(rows, which.about(), self.reports.changes.newest(), resumed=which.after > 0)
        return Download(iter(failed_paper(listed, form, which.dialect).pieces), count)


def _asked(model: type[Model], question: Question) -> Model:
    """The question as the API reads it. Raises UsageError."""
    try:
        return model.model_validate(question)
    except ValidationError as problem:
        first = problem.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"{where} is {first['input']!r}: {first['msg']}") from problem
