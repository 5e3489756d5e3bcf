"""From what was scanned to who it is."""

import re

from db.queries import Queries
from station.errors import NotFound, UsageError
from station.records import UnitIdentity


def identify(scanned: UnitIdentity, queries: Queries, serial_pattern: str) -> UnitIdentity:
    """Complete a scanned identity from what the database knows. Raises UsageError for a serial number of another form, or when the
    product of a new unit is neither given nor the only one there is."""
    if not re.fullmatch(serial_pattern, scanned.serial):
        raise UsageError(f"serial is {scanned.serial!r}; expected the form {serial_pattern}", serial=scanned.serial)
    known = _known(scanned.serial, queries)
    product = scanned.product or (known.product if known else "") or _only_product(scanned.serial, queries)
    return UnitIdentity(scanned.serial, product, scanned.lot or (known.lot if known else ""))


def _known(serial: str, queries: Queries) -> UnitIdentity | None:
    try:
        return queries.unit(serial).unit
    except NotFound:
        return None


def _only_product(serial: str, queries: Queries) -> str:
    products = sorted({row.name for row in queries.specifications()})
    if len(products) != 1:
        raise UsageError(f"product of the new unit {serial} is missing; expected one of: {', '.join(products) or 'none is known yet'}")
    return products[0]
