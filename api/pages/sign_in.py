"""The sign-in page: a token is shown once, the browser keeps a pass that scripts cannot read and other sites cannot send."""

from typing import Annotated, cast
from urllib.parse import parse_qs

from anyio.to_thread import run_sync
from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import StringConstraints

from api.http.access import PASS_VALID, Access
from api.http.gate import COOKIE
from api.pages.render import page
from station.errors import AccessDenied

router = APIRouter()
FORM_BYTES_MAX = 4096


@router.get("/sign-in")
def sign_in_page(request: Request, next: Annotated[str, StringConstraints(max_length=500)] = "/") -> Response:
    """Ask for a token; nothing to ask when none is configured."""
    if cast(Access, request.app.state.access).open:
        return RedirectResponse("/", 303)
    return page(request, "sign_in.html", next=own_path(next), problem="")


@router.post("/sign-in")
async def sign_in(request: Request) -> Response:
    """Take the token, give the pass."""
    form = parse_qs((await request.body())[:FORM_BYTES_MAX].decode("utf-8", "replace"))
    return await _run_sign_in(request, form.get("token", [""])[0].strip(), own_path(form.get("next", ["/"])[0]))


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """Forget the pass in this browser."""
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict", secure=request.url.scheme == "https")
    return response


def own_path(address: str) -> str:
    """The address if it is a path of this service, else `/`: a sign-in never leads elsewhere."""
    plain = address.startswith("/") and not address.startswith(("//", "/\\")) and all(" " <= one < "\x7f" for one in address)
    return address if plain else "/"


async def _run_sign_in(request: Request, token: str, following: str) -> Response:
    access = cast(Access, request.app.state.access)
    try:
        cookie = await run_sync(access.new_pass, token)
    except AccessDenied as denied:
        return page(request, "sign_in.html", 401, next=following, problem=denied.message)
    response = RedirectResponse(following, 303)
    secure = request.url.scheme == "https"
    age_s = int(PASS_VALID.total_seconds())
    response.set_cookie(COOKIE, cookie, max_age=age_s, path="/", httponly=True, samesite="strict", secure=secure)
    return response
