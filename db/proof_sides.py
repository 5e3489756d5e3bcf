"""Whose points a chart shows: one machine's, or real units' alone. What is emulated is never mixed with what is real."""

from dataclasses import dataclass

from sqlalchemy import Connection, select

from db.models import Rig
from db.models_charts import UnitCount
from db.models_proof import ReferenceCheckRecord
from db.proof_places import PRODUCT
from station.proof import ChartKey

REFERENCE = "reference"


@dataclass(frozen=True, slots=True)
class Side:
    """rig_id: of the machine, "" for a chart of a product."""

    rig_id: str
    emulated: bool


def side_of(connection: Connection, station: str, chart: ChartKey) -> Side:
    """Of a rig's chart the machine last seen under its name, real ones before emulated ones; of a product's chart real units, if any."""
    if not chart.rig:
        return Side("", product_emulated(connection, station, chart.product))
    if chart.what == REFERENCE:
        return checked_machine(connection, station, chart.rig)
    return run_machine(connection, station, chart.rig)


def run_machine(connection: Connection, station: str, rig: str) -> Side:
    """The one that made the rig's newest run."""
    query = select(Rig.rig_id, Rig.emulated).filter_by(station=station, name=rig)
    row = connection.execute(query.order_by(Rig.emulated, Rig.last_seen_at.desc(), Rig.id.desc()).limit(1)).one_or_none()
    return Side("", False) if row is None else Side(row.rig_id, row.emulated)


def checked_machine(connection: Connection, station: str, rig: str) -> Side:
    """The one that was checked last against a reference unit."""
    table = ReferenceCheckRecord
    query = select(table.rig_id, table.emulated).filter_by(station=station, rig=rig)
    row = connection.execute(query.order_by(table.emulated, table.id.desc()).limit(1)).one_or_none()
    return Side("", False) if row is None else Side(row.rig_id, row.emulated)


def product_emulated(connection: Connection, station: str, product: str) -> bool:
    """Whether units of a product were decided on emulated rigs alone."""
    counted = select(UnitCount.emulated).filter_by(station=station, product=product, scope=PRODUCT)
    sides = set(connection.scalars(counted))
    return sides == {True}


def machine_keys(connection: Connection, station: str, side: Side, rig: str | None = None) -> list[int]:
    """Rows of a machine in the list of rigs: one for each name it had here, or of one name alone."""
    query = select(Rig.id).filter_by(station=station, rig_id=side.rig_id, emulated=side.emulated)
    return list(connection.scalars(query if rig is None else query.where(Rig.name == rig)))
