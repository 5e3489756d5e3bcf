"""Places of units in their product and lot for a chunk of finished runs, as db.proof_places gives them run by run."""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from db.models_charts import FirstRun, UnitCount
from db.proof_places import DECIDED, LOT, PRODUCT

Row = dict[str, Any]
Scope = tuple[str, str, str, str, bool]
"""Station, product, scope, lot and emulated: the key of a count."""

KEY = ("station", "product", "scope", "lot", "emulated")
UNITS_AT_ONCE = 5_000


class FirstPlaces:
    """Counts up what the database has."""

    def __init__(self) -> None:
        self._counts: dict[Scope, int] = {}

    def add(self, session: Session, closed: Sequence[Row], known: set[int]) -> None:
        """closed: rows of the runs with their numbers. known: keys of units that had runs before."""
        decided = [run for run in closed if run["verdict"] in DECIDED]
        seen = _placed(session, sorted({run["unit_key"] for run in decided} & known))
        rows, touched = [], set()
        for run in sorted(decided, key=lambda run: (run["ended_at"], run["number"])):
            if (run["unit_key"], run["emulated"]) not in seen:
                seen.add((run["unit_key"], run["emulated"]))
                scopes = _scopes(run)
                touched |= set(scopes)
                rows.append(_first(run, *(self._next(session, scope) for scope in scopes)))
        if rows:
            session.execute(insert(FirstRun), rows)
        for scope in touched:
            session.merge(UnitCount(**dict(zip(KEY, scope, strict=True)), units=self._counts[scope]))
        session.flush()

    def _next(self, session: Session, scope: Scope) -> int:
        if scope not in self._counts:
            kept = session.scalar(select(UnitCount.units).filter_by(**dict(zip(KEY, scope, strict=True))))
            self._counts[scope] = kept or 0
        self._counts[scope] += 1
        return self._counts[scope]


def _placed(session: Session, units: Sequence[int]) -> set[tuple[int, bool]]:
    found: set[tuple[int, bool]] = set()
    for begin in range(0, len(units), UNITS_AT_ONCE):
        some = units[begin : begin + UNITS_AT_ONCE]
        rows = session.execute(select(FirstRun.unit_key, FirstRun.emulated).where(FirstRun.unit_key.in_(some)))
        found |= {(unit, emulated) for unit, emulated in rows}
    return found


def _scopes(run: Row) -> Iterable[Scope]:
    station, product, emulated = run["station"], run["product"], run["emulated"]
    return [(station, product, PRODUCT, "", emulated), (station, product, LOT, run["lot"], emulated)]


def _first(run: Row, in_product: int, in_lot: int) -> Row:
    same = {name: run[name] for name in ("unit_key", "station", "product", "lot", "emulated", "ended_at")}
    places = {"place_in_product": in_product, "place_in_lot": in_lot}
    failed = run["verdict"] == "fail"
    return {**same, **places, "run_number": run["number"], "failed": failed, "continues": int(run["evidence"].get("continues", 0))}
