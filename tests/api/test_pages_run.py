"""The page of one run: risks in plain words, what was not decided and why, evidence that people need first."""

import re
from dataclasses import replace

import pytest

from api.pages.limits import group_rows
from db.queries import Queries
from tests.api.client import TestClient
from tests.api.filled import SPECIFICATION
from tests.api.test_pages_rework import words_of


def test_groups_that_a_failed_unit_left_open_are_not_called_undecided(client: TestClient, queries: Queries) -> None:
    text = words_of(client.get("/runs/2").text)
    assert "y+ not decided" in text
    assert "Not decided: the unit had failed already. 0 of" in text
    assert "lets this group alone be flicked on" not in text
    stick = queries.run(2).sticks["main"]
    (peaks,) = [row for row in group_rows(stick, SPECIFICATION) if row.anchor == "peak_counts"]
    assert {cell.standing for cell in peaks.cells.values()} == {"fail", "not decided"}
    assert not peaks.cells["y+"].calls
    (doubted,) = [row for row in group_rows(replace(stick, verdict="undecided"), SPECIFICATION) if row.anchor == "peak_counts"]
    assert doubted.cells["y+"].calls


def test_an_undecided_run_states_its_way_on(client: TestClient) -> None:
    text = words_of(client.get("/runs/3").text)
    assert "The way on: The operator on duty may flick this group alone once more" in text
    assert "Two tries at most double the stated chances." in text


def test_the_risks_are_told_per_group_and_per_unit(client: TestClient) -> None:
    text = words_of(client.get("/runs/1").text)
    assert "Each group with 0.1 % of its flicks beyond the zone (good) it fails with a chance of at most 1 %" in text
    assert "with 2.5 % (bad) it passes with at most 1 %" in text
    assert "The unit with all its groups just good it fails with a chance of at most 3.9 %" in text  # 1 - 0.99**4
    assert "Guard band 0.00 counts" in text
    assert re.search(r"Flick to flick Correlation from flick to flick -?0\.\d\d", text)


def test_the_facts_people_need_first_stand_before_the_folded_rest(client: TestClient) -> None:
    html = client.get("/runs/1").text
    first, _, rest = html.partition(">Evidence</h2>")[2].partition("<details>")
    text = words_of(f"<main>{first}</main>")
    assert re.search(r"Samples, main (\d+) of \1 ", text)
    assert "Inputs before clamp closed, guard closed, emergency stop not pressed" in text
    assert re.search(r"Supply \d\.\d{3} V before, \d\.\d{3} V after; nominal 3\.30 V", text)
    assert "identity before" in rest


def test_without_a_part_there_is_no_added_lag_to_doubt(client: TestClient) -> None:
    assert "Added lag, ms at most 1.6 0 no part fitted met" in words_of(client.get("/runs/1").text)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_decided_and_undecided_runs_lead_on_to_advice_where_there_is_some(client: TestClient, number: int) -> None:
    linked = f'href="/runs/{number}/advice"' in client.get(f"/runs/{number}").text
    assert linked == (number != 3)
