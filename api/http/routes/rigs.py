"""Rigs: what each is doing, which unit is in its clamp, and the few things that may be asked of it."""

from collections.abc import Mapping
from typing import Any, Self

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from api.http.bodies import UnitName
from api.http.depends import TheDesk, ThePrincipal, TheQueries, TheSettings
from api.http.starting import MayStart
from api.http.units import identify
from station.ports.desk import RigView
from station.records import UnitIdentity

router = APIRouter(prefix="/v1/rigs", tags=["rigs"])


class RigBody(BaseModel):
    """A rig as people see it. `sentence` says what is going on and what to do next; `not_ready` what is missing before a run."""

    model_config = ConfigDict(from_attributes=True)

    name: str
    rig_id: str
    emulated: bool
    firmware: str
    state: str = Field(description="unlinked, not-ready, empty, ready, running, ended or fault")
    sentence: str
    not_ready: list[str]
    inputs: Mapping[str, bool]
    unit: UnitName | None
    run_number: int = Field(description="number of the run in hand, 0 if none")
    verdict: str
    reasons: list[str]
    progress: Mapping[str, Any] = Field(
        description="by group while a run is on: flicks done, peaks beyond the neutral zone, verdict so far"
    )
    last_run: int

    @classmethod
    def of(cls, view: RigView) -> Self:
        """Body of a view of the desk."""
        return cls.model_validate(view)


class RigList(BaseModel):
    rigs: list[RigBody]


class Scan(BaseModel):
    """What the scanner read. Product and lot may be left out for a unit that is known, the product also where there is only one."""

    model_config = ConfigDict(extra="forbid")

    serial: str = Field(min_length=1, max_length=64)
    product: str = Field("", max_length=40)
    lot: str = Field("", max_length=40)
    operator: str = Field("", max_length=60, description="who is at the rig; the name of the token when left out")


@router.get("")
def list_rigs(desk: TheDesk) -> RigList:
    """All rigs of the station."""
    return RigList(rigs=[RigBody.of(view) for view in desk.rigs()])


@router.get("/{rig}")
def one_rig(rig: str, desk: TheDesk) -> RigBody:
    """One rig."""
    return RigBody.of(desk.rig(rig))


@router.post("/{rig}/unit")
def scan_unit(rig: str, scan: Scan, desk: TheDesk, queries: TheQueries, settings: TheSettings, principal: ThePrincipal) -> RigBody:
    """Say which unit is in the clamp. Starts nothing."""
    desk.rig(rig)
    unit = identify(UnitIdentity(scan.serial, scan.product, scan.lot), queries, settings.serial_pattern)
    return RigBody.of(desk.scan(rig, unit, scan.operator or principal.name))


@router.post("/{rig}/start", status_code=202)
def start_run(rig: str, desk: TheDesk, _: MayStart) -> RigBody:
    """Ask for a run of the unit in the clamp; the same checks as for the rig's own button. The finger will move.

    Only from the station's own machine, unless its configuration says `network_start = true`.
    """
    return RigBody.of(desk.start(rig))


@router.post("/{rig}/halt")
def halt_rig(rig: str, desk: TheDesk) -> RigBody:
    """Bring the finger to rest now and end a run as invalid. May be repeated. No safety function: use the emergency stop."""
    return RigBody.of(desk.halt(rig))


@router.post("/{rig}/reset")
def reset_rig(rig: str, desk: TheDesk) -> RigBody:
    """Clear a latched fault whose cause is gone. Moves nothing and starts nothing."""
    return RigBody.of(desk.reset(rig))
