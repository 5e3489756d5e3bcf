"""Live events as server-sent events, one stream per page."""

from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query
from fastapi.sse import EventSourceResponse, ServerSentEvent

from api.http.depends import TheDesk, TheStreams

router = APIRouter(prefix="/v1", tags=["events"])


async def _place(streams: TheStreams) -> AsyncIterator[None]:
    async for _ in streams.place():
        yield


async def _known_rig(desk: TheDesk, rig: Annotated[str | None, Query(description="only events of this rig")] = None) -> str | None:
    return None if rig is None else desk.rig(rig).name


@router.get("/events", response_class=EventSourceResponse, dependencies=[Depends(_place)])
async def follow_events(
    streams: TheStreams,
    rig: Annotated[str | None, Depends(_known_rig)],
    after: Annotated[str | None, Query(description="id of the last event seen; `0` for all that are kept")] = None,
    last_event_id: Annotated[str | None, Header(description="as `after`; sent by browsers that reconnect")] = None,
) -> AsyncIterator[ServerSentEvent]:
    """`hello` first; then `rig`, `run-started`, `flick`, `round`, `run-ended`, `rework` and `notice` as they happen.

    `pulse` comes every two seconds while nothing does. Ids count up within one life of the service.
    """
    async for event in streams.follow(rig, last_event_id or after):
        yield event
