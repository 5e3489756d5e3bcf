"""A demo's rig is calibrated for good: through every step, and kept in a real database."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.demo_calibration import calibrate_emulated
from db.migrate import create_or_require
from db.proof import ProofStore
from db.store import SqlStore
from station.errors import Busy
from station.proof import Kind, Opening, Standing

NOW = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)


def test_a_demo_s_rig_gets_a_calibration_once(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'results.db'}"
    create_or_require(url)
    store = SqlStore(url, "mossgate-2", keep_pass_every=1)
    try:
        book = ProofStore(store.database, "mossgate-2")
        made = calibrate_emulated(book, "mossgate-2", "rig-1", "RP-EMU-01", 2608, NOW)
        assert (made.accepted, made.number, made.rig_id, made.emulated, made.made_at) == (True, 1, "RP-EMU-01", True, NOW)
        assert book.calibration_in_force("RP-EMU-01", True) == made
        kept = book.procedure(made.procedure)
        assert (kept.standing, len(kept.results)) == (Standing.DONE, 11)
        assert NOW - timedelta(minutes=5) < kept.results[0].at < kept.results[-1].at < NOW
        assert calibrate_emulated(book, "mossgate-2", "rig-1", "RP-EMU-01", 2608, NOW + timedelta(days=1)) == made
        opening = Opening(Kind.CALIBRATION, "mossgate-2", "rig-1", "RP-EMU-01", True, made.firmware, {}, "anna", NOW)
        book.begin_procedure(opening)
        with pytest.raises(Busy):
            calibrate_emulated(book, "mossgate-2", "rig-1", "RP-EMU-01", 2608, made.valid_until)
    finally:
        store.close()
