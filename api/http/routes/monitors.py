"""Pooled monitors: which specifications are decided by count alone, and setting a monitor back once the cause was found."""

from fastapi import APIRouter, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http.depends import TheDesk
from api.http.edits import TheEdit, tag_of

router = APIRouter(prefix="/v1/monitors", tags=["monitors"])


class Alarm(BaseModel):
    specification: str
    sentence: str


class AlarmList(BaseModel):
    """Empty while every specification is decided in its own mode."""

    alarms: list[Alarm]


class SetBack(BaseModel):
    """Who sets which monitor back, and what was found."""

    model_config = ConfigDict(extra="forbid")

    specification: str = Field(min_length=1, max_length=60, description="label, such as dunlin-2 A")
    operator: str = Field(min_length=1, max_length=60)
    cause: str = Field(min_length=1, max_length=400)


def _listed(desk: TheDesk, response: Response) -> AlarmList:
    alarms = dict(desk.alarms())
    response.headers["ETag"] = tag_of(alarms)
    return AlarmList(alarms=[Alarm(specification=label, sentence=sentence) for label, sentence in alarms.items()])


@router.get("")
def list_alarms(desk: TheDesk, response: Response) -> AlarmList:
    """Monitors that have alarmed. Their ETag may be sent as If-Match when one is set back: an alarm that came since is then kept."""
    return _listed(desk, response)


@router.post("/set-back")
def set_back(wanted: SetBack, desk: TheDesk, edit: TheEdit, response: Response) -> AlarmList:
    """Set a monitor back; its station decides in the specification's own mode again. Needs the role engineer."""
    with edit.of(lambda: dict(desk.alarms())):
        desk.set_back(wanted.specification, wanted.operator, wanted.cause)
    return _listed(desk, response)
