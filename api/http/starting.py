"""Who may set a finger in motion: the same gate for a run and for a step of a procedure."""

from typing import Annotated

from fastapi import Depends, Request

from api.http.access import is_loopback
from api.http.depends import TheSettings
from station.errors import AccessDenied


def _may_start(request: Request, settings: TheSettings) -> None:
    """Raises AccessDenied for another machine than the station's own, unless its configuration says `network_start = true`."""
    asker = request.client.host if request.client else ""
    if not settings.network_start and not is_loopback(asker):
        raise AccessDenied(f"start was asked for from {asker or 'somewhere'}; expected the rig's button or the station's own page")


MayStart = Annotated[None, Depends(_may_start)]
