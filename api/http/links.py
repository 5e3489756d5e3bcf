"""Addresses of following pages: the same question with another `after`, and the Link header that says so (RFC 8288)."""

from fastapi import Request, Response


def following(request: Request, after: str | None) -> str | None:
    """Path and query of the next page; None at the end."""
    if after is None:
        return None
    return f"{request.url.path}?{request.url.include_query_params(after=after).query}"


def announce(response: Response, address: str | None) -> None:
    """Set `Link: <...>; rel="next"`."""
    if address is not None:
        response.headers["Link"] = f'<{address}>; rel="next"'
