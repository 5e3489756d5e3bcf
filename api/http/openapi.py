"""Writes the OpenAPI document that is kept with the source: `python -m api.http.openapi`. A test holds it against the running service."""

import json
import sys
from pathlib import Path
from typing import Any, Final, cast

from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.queries import Queries
from station.errors import NotFound
from station.ports.desk import RigView
from station.records import RunEvent, UnitIdentity

KEPT: Final = Path(__file__).parents[2] / "docs" / "openapi.json"


class _NoDesk:
    """A desk without rigs, enough to describe the routes."""

    def rigs(self) -> list[RigView]:
        return []

    def rig(self, name: str) -> RigView:
        raise NotFound(f"rig is {name!r}; none is configured")

    def scan(self, rig: str, unit: UnitIdentity, operator: str) -> RigView:
        return self.rig(rig)

    def start(self, rig: str) -> RigView:
        return self.rig(rig)

    def halt(self, rig: str) -> RigView:
        return self.rig(rig)

    def reset(self, rig: str) -> RigView:
        return self.rig(rig)

    def alarms(self) -> dict[str, str]:
        return {}

    def set_back(self, specification: str, operator: str, cause: str) -> None:
        return None

    def recent_events(self, rig: str | None = None, after: int = 0) -> list[tuple[int, RunEvent]]:
        return []

    def watch(self, wake: object) -> Any:
        return lambda: None

    def ready(self) -> dict[str, str]:
        return {}


def document() -> dict[str, Any]:
    """The OpenAPI document of the API's first version; no database is opened."""
    app = build_app(_NoDesk(), cast(Queries, None), Access(), WebSettings(station="", version=""))
    return app.openapi()


def text() -> str:
    """As kept: sorted keys are not forced, so that routes stay in reading order."""
    return json.dumps(document(), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    KEPT.write_text(text(), encoding="utf-8")
    sys.stdout.write(f"wrote {KEPT}\n")
