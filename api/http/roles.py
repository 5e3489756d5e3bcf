"""The least role of every address. What does not stand here is denied to everybody.

A role may do all that the ones before it may: view reads, operate works at the rigs, engineer changes what the station judges by, admin
sees who did what.
"""

import re
from typing import Final

from api.http.access import Role

READ: Final = (
    "/openapi.json",
    "/metrics",
    "/v1/rigs",
    "/v1/rigs/{rig}",
    "/v1/rigs/{rig}/proof",
    "/v1/rigs/{rig}/procedures",
    "/v1/rigs/{rig}/wear",
    "/v1/rigs/{rig}/budget",
    "/v1/procedures/{number}",
    "/v1/procedures/{number}/steps/{position}",
    "/v1/banners",
    "/v1/calibrations",
    "/v1/calibrations/{number}",
    "/v1/calibrations/{number}/certificate",
    "/v1/reference-units",
    "/v1/reference-checks",
    "/v1/reference-checks/{number}",
    "/v1/studies",
    "/v1/studies/{number}",
    "/v1/charts",
    "/v1/charts/points",
    "/v1/yield",
    "/v1/yield/runs",
    "/v1/failed-units",
    "/v1/failed-units/export",
    "/v1/runs",
    "/v1/runs/{number}",
    "/v1/runs/{number}/flicks",
    "/v1/runs/{number}/overlay",
    "/v1/runs/{number}/trace",
    "/v1/runs/{number}/advice",
    "/v1/units",
    "/v1/units/{serial}",
    "/v1/units/{serial}/history",
    "/v1/units/{serial}/report",
    "/v1/units/{serial}/advice",
    "/v1/rework",
    "/v1/rework/ledger",
    "/v1/rework/estimates",
    "/v1/rework/{order}",
    "/v1/lots/{lot}/advice",
    "/v1/products/{product}/pad-map",
    "/v1/specifications",
    "/v1/specifications/{name}/{revision}",
    "/v1/monitors",
    "/v1/events",
)
PAGES: Final = (
    "/",
    "/definitions",
    "/docs/api",
    "/problems",
    "/yield",
    "/yield/runs",
    "/prove",
    "/prove/rigs/{rig}",
    "/prove/procedures/{number}",
    "/prove/calibrations/{number}",
    "/prove/checks/{number}",
    "/prove/studies/{number}",
    "/prove/chart",
    "/rework",
    "/rework/ledger",
    "/rework/lots",
    "/rework/lots/answer",
    "/rework/orders",
    "/rework/unit",
    "/rework/{order}",
    "/rigs/{name}",
    "/runs",
    "/runs/{number}",
    "/runs/{number}/advice",
    "/runs/{number}/advice/now",
    "/runs/{number}/advice/traces",
    "/units",
    "/units/{serial}",
)
WRITE: Final = {
    "/v1/rigs/{rig}/unit": Role.OPERATE,
    "/v1/rigs/{rig}/start": Role.OPERATE,
    "/v1/rigs/{rig}/halt": Role.OPERATE,
    "/v1/rigs/{rig}/reset": Role.OPERATE,
    "/v1/rigs/{rig}/procedures": Role.OPERATE,
    "/v1/procedures/{number}/go-on": Role.OPERATE,
    "/v1/procedures/{number}/abandon": Role.OPERATE,
    "/v1/charts/notes": Role.OPERATE,
    "/v1/charts/limits": Role.ENGINEER,
    "/v1/rework/{order}/fitted": Role.OPERATE,
    "/v1/rework/{order}/scrap": Role.OPERATE,
    "/v1/rework/{order}/withdraw": Role.OPERATE,
    "/v1/monitors/set-back": Role.ENGINEER,
}
ROLES: Final[dict[tuple[str, str], Role]] = {
    **{("GET", path): Role.VIEW for path in (*READ, *PAGES)},
    **{("POST", path): role for path, role in WRITE.items()},
    ("GET", "/v1/audit"): Role.ADMIN,
}


def _pattern(template: str) -> re.Pattern[str]:
    """Of a whole path; a name in braces stands for one part of it."""
    return re.compile("".join("[^/]+" if part.startswith("{") else re.escape(part) for part in re.split(r"(\{\w+\})", template)))


_EXACT: Final = {key: role for key, role in ROLES.items() if "{" not in key[1]}
_PATTERNS: Final = [(method, _pattern(path), role, path) for (method, path), role in ROLES.items() if "{" in path]


def least_role(method: str, path: str) -> Role | None:
    """The role that a request needs at least; None for an address that stands in no table. HEAD is as GET."""
    method = "GET" if method == "HEAD" else method
    exact = _EXACT.get((method, path))
    if exact is not None:
        return exact
    return next((role for one, pattern, role, _ in _PATTERNS if one == method and pattern.fullmatch(path)), None)


def template_of(method: str, path: str) -> str:
    """The address as it stands in the table; "" where it does not."""
    if (method, path) in _EXACT:
        return path
    return next((template for one, pattern, _, template in _PATTERNS if one == method and pattern.fullmatch(path)), "")
