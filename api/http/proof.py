"""What routes about proving the rig ask for: the desk, what the database keeps, who may freeze limits, and charts by one word."""

from typing import Annotated, Final, cast
from urllib.parse import unquote

from fastapi import Depends, Query, Request

from api.http.access import Principal, Role
from api.http.depends import ThePrincipal, TheQueries
from db.queries.proof import ProofQueries
from station.errors import AccessDenied, NotReady, UsageError
from station.ports.proof import ProofDesk
from station.proof import ChartKey

CAUTIONS: Final = (
    "The finger moves fast and without warning: pinch hazard. Guard closed, hands out, emergency stop within reach before every step.",
    "Switch the finger's supply off before hands go in.",
    "Halt is no safety function: the emergency stop and the guard cut the finger's power in hardware.",
    "Local workplace rules, the makers' instructions and qualified persons come first.",
)
KEY_FORM: Final = "WHAT/RIG/PRODUCT/LOT/FIGURE"


def chart_text(key: ChartKey) -> str:
    """A chart in one word, as the list of charts gives it; a slash or percent sign within a name is written as %2F or %25."""
    parts = (key.what, key.rig, key.product, key.lot, key.figure)
    return "/".join(part.replace("%", "%25").replace("/", "%2F") for part in parts)


def chart_of(text: str) -> ChartKey:
    """The chart a word stands for. Raises UsageError for what is no such word."""
    parts = text.split("/")
    if len(parts) != 5 or not parts[0]:
        raise UsageError(f"chart is {text!r}; expected {KEY_FORM}, as the list of charts gives it")
    return ChartKey(*(unquote(part) for part in parts))


def _desk(request: Request) -> ProofDesk:
    desk = cast(ProofDesk | None, request.app.state.proof)
    if desk is None:
        raise NotReady("this service proves no rigs: it was built without a desk for it")
    return desk


def _kept(queries: TheQueries) -> ProofQueries:
    return ProofQueries(queries.database)


def _chart(key: Annotated[str, Query(min_length=1, max_length=300, description=f"{KEY_FORM}, as the list of charts gives it")]) -> ChartKey:
    return chart_of(key)


def _engineer(principal: ThePrincipal) -> Principal:
    """Raises AccessDenied for whoever may not change what the station judges itself by."""
    if principal.role < Role.ENGINEER:
        raise AccessDenied(f"{principal.name} may operate; freezing limits needs the role engineer")
    return principal


TheProof = Annotated[ProofDesk, Depends(_desk)]
TheKept = Annotated[ProofQueries, Depends(_kept)]
TheChart = Annotated[ChartKey, Depends(_chart)]
TheEngineer = Annotated[Principal, Depends(_engineer)]
