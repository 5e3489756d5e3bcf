"""The picture that says where parts go on a product, if one was drawn."""

from typing import cast

from fastapi import Request

from station.errors import NotFound
from station.ports.rework import PadMap, ReworkDesk


def pad_map_of(request: Request, product: str) -> PadMap | None:
    """None when nobody drew one, or this service only reads."""
    desk = cast(ReworkDesk | None, request.app.state.rework)
    if desk is None:
        return None
    try:
        return desk.pad_map(product)
    except NotFound:
        return None
