"""Well-formed words for tests of the service: each test changes the one thing it is about."""

from dataclasses import replace
from typing import Any

from station.records import RigIdentity, RigInputs, RigStatus
from station.service.evidence import RunEvidence, StickEvidence

IDENTITY = RigIdentity("RP-0001", "1.0.0", 1, 7, True, 10_000, 12, 3.6, 1_000_000)
INPUTS = RigInputs(True, True, True, False, 1, 2, 0, 3)
STATUS = RigStatus(12.0, "IDLE", "", False, 0, INPUTS, 7)
STICK = StickEvidence("main", 150_000, 150_000, True, 14.9999, 14.9999, 44, 44, ())


def evidence(**changes: Any) -> RunEvidence:
    """Evidence with nothing amiss, but for the changes."""
    whole = RunEvidence(
        sticks=(STICK,),
        identity_before=IDENTITY,
        boot_after=7,
        inputs_before=INPUTS,
        inputs_after=INPUTS,
        fault_after="",
        supply_nominal_v=3.3,
        supply_before_v=3.29,
        supply_after_v=3.291,
        rig_seconds=15.0,
        host_seconds=15.02,
        specification_digest="d" * 64,
        calibration="C-1",
    )
    return replace(whole, **changes)
