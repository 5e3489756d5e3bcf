"""The short form of the campaign over the whole chain: one run of every kind of fault."""

from pathlib import Path

from tests.campaign_chain import FAULTS, campaign


def test_no_faulty_run_passes(tmp_path: Path) -> None:
    outcome = campaign(len(FAULTS), 11, tmp_path)
    assert outcome.tried == len(FAULTS)
    assert outcome.passes == [], [FAULTS[number % len(FAULTS)].name for number in outcome.passes]
