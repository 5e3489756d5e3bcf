"""Proving the rig at a running station, over its HTTP API. Whatever moves a finger is asked for here and nowhere else."""

from typing import Any, Final
from urllib.parse import quote

import httpx

from api.cli.records import Document, Question
from api.cli.remote import RemoteRecords

PATHS: Final = {"calibrations": "/v1/calibrations", "checks": "/v1/reference-checks", "studies": "/v1/studies"}


class RemoteProof(RemoteRecords):
    """Implements api.cli.proof_places.Proofs, and what only a running station can do. Nothing that records or moves is tried twice."""

    # --- rigs and procedures

    def state(self, rig: str) -> Document:
        return self._get(f"{_rig(rig)}/proof", {})

    def begin(self, rig: str, kind: str, plan: Document, operator: str) -> Document:
        return self._answer("POST", f"{_rig(rig)}/procedures", {}, {"kind": kind, "plan": plan, "operator": operator})

    def procedure(self, number: int) -> Document:
        return self._get(f"/v1/procedures/{number}", {})

    def go_on(self, number: int, position: int, operator: str) -> Document:
        """position: 0 for the next."""
        return self._answer("POST", f"/v1/procedures/{number}/go-on", {}, {"position": position, "operator": operator})

    def abandon(self, number: int, cause: str, operator: str) -> Document:
        return self._answer("POST", f"/v1/procedures/{number}/abandon", {}, {"cause": cause, "operator": operator})

    def wear(self, rig: str) -> Document:
        return self._get(f"{_rig(rig)}/wear", {})

    def budget(self, rig: str, product: str) -> Document:
        return self._get(f"{_rig(rig)}/budget", {"product": product})

    def banners(self) -> list[str]:
        return list(self._get("/v1/banners", {})["banners"])

    # --- what is kept

    def page(self, what: str, question: Question, after: str | None, limit: int) -> tuple[list[Document], str | None]:
        path = f"{_rig(question['rig'])}/procedures" if what == "procedures" else PATHS[what]
        asked = {key: value for key, value in question.items() if what != "procedures"}
        answer = self._get(path, {**asked, "limit": str(limit), **({"after": after} if after else {})})
        return list(answer[what]), None if answer["next"] is None else httpx.URL(answer["next"]).params["after"]

    def units(self, question: Question, limit: int) -> list[Document]:
        return list(self._get("/v1/reference-units", {**question, "limit": str(limit)})["units"])

    def calibration(self, number: int) -> Document:
        return self._get(f"/v1/calibrations/{number}", {})

    def certificate(self, number: int) -> bytes:
        return self._file(f"/v1/calibrations/{number}/certificate", "application/pdf")

    def study(self, number: int) -> Document:
        return self._get(f"/v1/studies/{number}", {})

    # --- charts

    def charts(self, rig: str) -> list[Document]:
        return list(self._get("/v1/charts", {"rig": rig} if rig else {})["charts"])

    def chart(self, key: str, newest: int) -> Document:
        return self._get("/v1/charts/points", {"key": key, "newest": str(newest)})

    def freeze(self, key: str, first: str, last: str, rules: list[str], operator: str) -> Document:
        body: dict[str, Any] = {"key": key, "first": first, "last": last, "rules": rules, "operator": operator}
        return self._answer("POST", "/v1/charts/limits", {}, body)

    def note(self, key: str, point: str, cause: str, action: str, operator: str) -> Document:
        body = {"key": key, "point": point, "cause": cause, "action": action, "operator": operator}
        return self._answer("POST", "/v1/charts/notes", {}, body)


def _rig(name: str) -> str:
    return f"/v1/rigs/{quote(name, safe='')}"
