"""Pooled monitors: which specifications are decided by count alone, and setting a monitor back once the cause was found."""

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from api.http.depends import TheDesk

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


def _listed(desk: TheDesk) -> AlarmList:
    return AlarmList(alarms=[Alarm(specification=label, sentence=sentence) for label, sentence in desk.alarms().items()])


@router.get("")
def list_alarms(desk: TheDesk) -> AlarmList:
    """Monitors that have alarmed."""
    return _listed(desk)


@router.post("/set-back")
def set_back(wanted: SetBack, desk: TheDesk) -> AlarmList:
    """Set a monitor back; its station decides in the specification's own mode again."""
    desk.set_back(wanted.specification, wanted.operator, wanted.cause)
    return _listed(desk)
