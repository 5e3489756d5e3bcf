"""Handing out files: their headers, and a limit to how many long ones are made at once."""

from collections.abc import AsyncIterator, Generator, Iterator
from dataclasses import replace
from typing import Annotated, Final, cast

from fastapi import Depends, Request, Response
from fastapi.responses import StreamingResponse

from api.http.formats import attachment
from api.http.papers import Paper
from api.http.problems import ExportsFull

ROWS: Final = "Restpoint-Rows"
"""Header: how many rows the whole list had when it was begun, counted from where it was asked to go on."""


class ExportPlaces:
    """Places for exports that last. Used on the event loop alone."""

    def __init__(self, places: int) -> None:
        self._places = places
        self.taken = 0

    def take(self) -> None:
        """Raises ExportsFull."""
        if self.taken >= self._places:
            raise ExportsFull(f"{self.taken} exports are being made; at most {self._places} at a time", now=self.taken)
        self.taken += 1

    def give_back(self) -> None:
        self.taken -= 1


class ExportPlace:
    """A place that is held. What is made of pieces in it is ended with it, also when its reader goes away."""

    def __init__(self) -> None:
        self._pieces: Iterator[bytes] = iter(())

    def streamed(self, paper: Paper, headers: dict[str, str]) -> Response:
        """A file piece by piece."""
        self._pieces = iter(paper.pieces)
        return streamed(replace(paper, pieces=self._pieces), headers)

    def end(self) -> None:
        if isinstance(self._pieces, Generator):
            self._pieces.close()


async def _place(request: Request) -> AsyncIterator[ExportPlace]:
    """Holds a place while an answer lasts: to its last byte, or until its reader goes away."""
    places, place = cast(ExportPlaces, request.app.state.exports), ExportPlace()
    places.take()
    try:
        yield place
    finally:
        places.give_back()
        place.end()


AnExportPlace = Annotated[ExportPlace, Depends(_place)]


def whole(paper: Paper, headers: dict[str, str]) -> Response:
    """A small file in one piece; JSON is shown where it arrives, everything else is put down as a file."""
    return Response(paper.whole(), media_type=paper.media_type, headers={**headers, **_about(paper)})


def streamed(paper: Paper, headers: dict[str, str]) -> Response:
    """A file piece by piece."""
    return StreamingResponse(paper.pieces, media_type=paper.media_type, headers={**headers, **_about(paper)})


def _about(paper: Paper) -> dict[str, str]:
    shown = {} if paper.form == "json" else {"Content-Disposition": attachment(paper.name)}
    return {**paper.about, **shown}
