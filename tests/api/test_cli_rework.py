"""`restpoint rework`: the same answers from a database and from a station at an address, and the same records."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from api.clock import SystemClock
from api.http.access import Access
from api.http.app import build_app
from api.http.settings import WebSettings
from db.backup import copy_database
from db.queries import Queries
from db.rework import ReworkStore
from db.store import SqlStore
from station.records import Fitted, Verdict
from station.service.reckoner import StationReckoning
from station.service.rework_desk import OrderDesk
from tests.api.command import answered, here, refused, restpoint
from tests.api.fakes import FakeDesk, serving
from tests.db.making import SPECIFICATION, START, STATION, TEXT
from tests.db.making_rework import STEP, advise, checked, estimate, failed, job, retested, rework_of

Places = dict[str, list[str]]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqlStore]:
    """Three orders: 1 closed by a passed retest, 2 and 3 open, the latter with advice."""
    from db.migrate import create_or_require

    url = f"sqlite:///{tmp_path / 'station.db'}"
    create_or_require(url)
    made = SqlStore(url, STATION, keep_pass_every=1)
    made.keep_specification(TEXT, SPECIFICATION, START)
    order = failed(made)
    advise(made)
    retested(made, order, Verdict.PASS, 3)
    rework_of(made).keep_check(job(made, "check"), checked(), START + timedelta(minutes=4))
    rework_of(made).keep_estimate(estimate(), 1)
    failed(made, "DL2-00002", 5, lot="ML-2611")
    rework_of(made).advice_failed(job(made, "advice"), "advice for order 2 failed: no trace", START)
    failed(made, "DL2-00003", 6)
    one = job(made, "advice")
    rework_of(made).keep_advice(one, {}, [STEP, {**STEP, "axis": "y", "solder": False, "help": ["Another spring."]}], "0.1.0", START)
    yield made
    made.close()


@pytest.fixture
def places(store: SqlStore, settings: WebSettings) -> Iterator[Places]:
    url = str(store.database.url)
    queries = Queries(url)
    desk = OrderDesk(ReworkStore(store.database, STATION), SystemClock(), {}, lambda order, sentence: None, StationReckoning())
    with serving(build_app(FakeDesk(), queries, Access(), settings, desk)) as (address, _):
        yield {"local": ["--database", url], "remote": ["--server", address]}
    queries.close()


QUESTIONS: list[list[str]] = [
    ["list"],
    ["list", "--state", "all", "--limit", "2"],
    ["list", "--state", "closed"],
    ["list", "--lot", "ML-2611", "--product", "dunlin-2", "--serial", "DL2-"],
    ["list", "--serial", "ZZ"],
    ["show", "1"],
    ["show", "2"],
    ["show", "3"],
    ["ledger"],
    ["ledger", "--product", "dunlin-2", "--lot", "ML-2607", "--emulated"],
    ["ledger", "--real"],
]


def test_a_station_and_its_database_give_the_same_answers(places: Places) -> None:
    for question in QUESTIONS:
        local, remote = (here("rework", *question, *place) for place in places.values())
        assert (local.returncode, local.stderr) == (0, "")
        assert local.stdout == remote.stdout
        assert local.stdout.strip()
        assert answered(here("rework", *question, *places["local"], "--json"), 0) == answered(
            here("rework", *question, *places["remote"], "--json"), 0
        )


def test_the_work_list_goes_on_where_it_ended(places: Places) -> None:
    for place in places.values():
        first = answered(here("rework", "list", "--state", "all", "--limit", "2", *place, "--json"), 0)
        rest = answered(here("rework", "list", "--state", "all", "--after", first["next"], *place, "--json"), 0)
        assert [one["order"] for one in first["orders"] + rest["orders"]] == [3, 2, 1]
        assert (first["format"], rest["next"]) == ("restpoint-rework/1", None)


def test_an_open_order_tells_what_to_do_and_warns_before(places: Places) -> None:
    shown = here("rework", "show", "3", *places["local"]).stdout
    assert "Order 3: open; unit DL2-00003" in shown
    assert "0.47 uF, marked 474, between the x axis signal and ground: pads X SIG and GND" in shown
    assert "what would help: Another spring." in shown
    assert shown.index("Try 1 of 3, advice from run 4") < shown.index("Before soldering:") < shown.index("remove batteries")


def test_a_closed_order_tells_what_was_done(places: Places) -> None:
    shown = here("rework", "show", "1", *places["local"]).stdout
    for words in ("Run 2 passed after 1 try.", "recorded: 474 on main x by a. marsh", "retest: run 2, pass; passed", "x acts as recorded."):
        assert words in shown
    assert "Before soldering" not in shown
    assert "advice for order 2 failed: no trace" in here("rework", "show", "2", *places["local"]).stdout


def test_the_ledger_shows_residuals_and_what_they_teach(places: Places) -> None:
    body = answered(here("rework", "ledger", *places["local"], "--json"), 0)
    (entry,) = body["entries"]
    assert entry["residual_counts"] == pytest.approx(-0.1)
    assert [one["version"] for one in body["estimates"]] == [1]
    words = here("rework", "ledger", *places["local"]).stdout
    assert "-0.10" in words
    assert "10100" in words
    assert here("rework", "ledger", "--real", "--lot", "ML-2611", *places["local"]).stdout.strip() == "No retests yet."


def test_a_part_is_recorded_here_and_there(places: Places, store: SqlStore) -> None:
    for number, place in enumerate(places.values(), 2):
        words = ("rework", "fit", number, "--axis", "x", "--part", "0.33uF", "--operator", "a. marsh", *place)
        done = here(*words)
        assert (done.returncode, done.stdout) == (0, f"done: order {number} is fitted, try 1 of 3; test unit DL2-0000{number} again\n")
        again = answered(here(*words, "--json"), 0)
        assert len(again["all_tries"][0]["parts"]) == 1
        assert store.fitted(f"DL2-0000{number}") == {"main": Fitted(3.3e-7, 0.0)}


def test_orders_are_ended_here_and_there(places: Places) -> None:
    for number, place, how, state in ((2, places["local"], "scrap", "scrapped"), (3, places["remote"], "withdraw", "withdrawn")):
        words = ["rework", how, str(number), "--cause", "cracked housing", "--operator", "a. marsh", *place]
        assert here(*words).stdout == f"done: order {number} of unit DL2-0000{number} is {state}\n"
        refused(here(*words), "has ended", "cracked housing")
    assert answered(here("rework", "list", *places["remote"], "--json"), 0)["orders"] == []


def test_the_lot_view_is_the_same_here_and_there(filled: str, settings: WebSettings, tmp_path: Path) -> None:
    """On simulated sticks: unit DN-0002 snaps back without a part."""
    copy = copy_database(Path(filled.removeprefix("sqlite:///")), tmp_path / "copy.db")
    filled = f"sqlite:///{copy}"
    queries = Queries(filled)
    store = ReworkStore(queries.database, "")
    desk = OrderDesk(store, SystemClock(), {}, lambda order, sentence: None, StationReckoning())
    question = ("rework", "lot", "ML-2607", "--product", "dunlin-2")
    with serving(build_app(FakeDesk(), queries, Access(), settings, desk)) as (address, _):
        remote = answered(here(*question, "--server", address, "--json"), 0)
        assert remote == answered(here(*question, "--database", filled, "--json"), 0)
        words = here(*question, "--database", filled).stdout
        assert words == here(*question, "--server", address).stdout
        for place in (["--server", address], ["--database", filled]):
            refused(here("rework", "lot", "ML-9999", "--product", "dunlin-2", *place), "ML-9999", "no unit of it has passed or failed")
    queries.close()
    assert remote["sticks"] == 2
    assert remote["in_words"] in words
    assert "0.47 uF" in words


def test_what_cannot_be_is_refused_alike(places: Places, tmp_path: Path) -> None:
    for place in places.values():
        refused(here("rework", "show", 99, *place), "99")
        refused(here("rework", "list", "--state", "done", *place), "done", "active")
        refused(here("rework", "list", "--after", "x", *place), "page cursor")
        refused(here("rework", "fit", 2, "--axis", "x", "--part", "47x", "--operator", "a", *place), "47x")
        refused(here("rework", "fit", 2, "--axis", "z", "--part", "474", "--operator", "a", *place))
        refused(here("rework", "fit", 2, "--axis", "x", "--part", "474", "--stick", "left", "--operator", "a", *place), "left", "main")
    refused(here("rework", "fit", 2, "--axis", "x", "--part", "474", *places["local"]), "operator is missing")
    refused(here("rework", "scrap", 2, *places["local"]), "--cause")
    refused(here("rework", "list", *places["local"], *places["remote"]), "one place")
    refused(here("rework", "list", "--token-file", tmp_path / "t", *places["local"]), "--server")
    refused(here("rework", "list", "--database", f"sqlite:///{tmp_path / 'absent.db'}"), "absent.db")
    refused(here("rework", "list", "--server", "http://127.0.0.1:1"), "127.0.0.1:1")


def test_the_installed_command_answers(places: Places) -> None:
    assert len(answered(restpoint("rework", "list", *places["local"], "--json"), 0)["orders"]) == 2
