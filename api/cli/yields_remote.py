"""Reports and files from a running station, over its HTTP API."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final
from urllib.parse import quote

import httpx

from api.cli.records import Document, Question
from api.cli.remote import RemoteRecords
from api.cli.yields_places import Download, Wanted, What
from station.errors import StationError

ROWS: Final = "Restpoint-Rows"
FILE_LIMIT_S: Final = 120.0  # for the first byte and between pieces: a workbook is made whole before it is sent


class RemoteYields(RemoteRecords):
    """Implements api.cli.yields_places.Yields."""

    def report(self, question: Question) -> Document:
        return self._get("/v1/yield", question)

    @contextmanager
    def file(self, wanted: Wanted) -> Iterator[Download]:
        path = path_of(wanted)
        asked = {**wanted.question, **({} if wanted.what is What.UNIT else {"format": wanted.form})}
        try:
            with self.client.stream("GET", path, params=asked, headers={"Accept": "*/*"}, timeout=FILE_LIMIT_S) as response:
                if not response.is_success:
                    response.read()
                    raise self._refused(response, self._document(response))
                rows = response.headers.get(ROWS, "")
                yield Download(response.iter_bytes(), int(rows) if rows.isdecimal() else None)
        except httpx.HTTPError as problem:
            raise StationError(f"station {self.server}: {problem or type(problem).__name__}; expected all of {path}") from problem


def path_of(wanted: Wanted) -> str:
    """Address of a file without its question."""
    if wanted.what is What.UNIT:
        return f"/v1/units/{quote(wanted.key, safe='')}/{'history' if wanted.form == 'json' else 'report'}"
    if wanted.what is What.TRACE:
        return f"/v1/runs/{wanted.key}/trace"
    return "/v1/failed-units/export" if wanted.what is What.FAILED else "/v1/yield"
