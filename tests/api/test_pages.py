"""Pages as text: what they say, where they lead, and that nothing on them comes from elsewhere."""

import re
from datetime import UTC, date, datetime
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from api.pages import show
from api.pages.assets import STATIC
from api.pages.definitions import definitions
from api.pages.reference import type_of
from api.pages.runs import midnight
from api.pages.today import start_of_day
from api.pages.words import CAUTIONS, REASONS, VERDICTS, reason_shown
from station.measure.catalogue import CATALOGUE
from station.records import UnitIdentity, Verdict
from tests.api.client import TestClient
from tests.api.fakes import FakeDesk

PAGES = (
    *("/", "/rigs/a", "/runs", "/runs/1", "/runs/2", "/runs/3", "/runs/4", "/units", "/units/DN-0002"),
    *("/definitions", "/docs/api", "/problems", "/problems/busy"),
)
CONTRACT_REASONS = {
    *(
        "snapback",
        "sluggish",
        "off-centre",
        "short-reach",
        "rest-shift",
        "noisy-wiper",
        "cross-axis",
        "slow-settle",
        "dull",
        "dead-channel",
    ),
    *("stuck-high", "stuck-low", "missing-group", "swapped-axes", "reversed-axis", "bad-recording", "no-unit", "rig-link", "rig-stop"),
    *("rig-guard", "rig-clamp", "rig-stimulus", "rig-clock", "rig-supply", "rig-calibration", "scorer", "interrupted"),
}
REFERRING = ("href", "src", "action", "srcset", "data", "poster")


class Links(HTMLParser):
    """Everything a page refers to, and what it names."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, str]] = []
        self.ids: list[str] = []
        self.labels = 0
        self.inputs = 0
        self.inline: list[str] = []
        self._within_label = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = dict(attributes)
        self.found += [(tag, value) for name, value in attributes if name in REFERRING and value]
        self.inline += [name for name in given if name == "style" or name.startswith("on")]
        if given.get("id"):
            self.ids.append(str(given["id"]))
        self._within_label += tag == "label"
        if tag in ("input", "select", "textarea") and given.get("type") != "hidden":
            self.inputs += 1
            self.labels += bool(self._within_label or given.get("aria-label"))

    def handle_endtag(self, tag: str) -> None:
        self._within_label -= tag == "label"


@pytest.mark.parametrize("path", PAGES)
def test_pages_are_whole(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    links = Links(answer.text)
    assert len(links.ids) == len(set(links.ids))
    assert links.inputs == links.labels
    assert links.inline == []
    assert answer.text.count("<h1") == 1
    assert '<html lang="en">' in answer.text
    assert "All rigs are emulated" in answer.text


@pytest.mark.parametrize("path", PAGES)
def test_nothing_on_a_page_comes_from_elsewhere(client: TestClient, path: str) -> None:
    text = client.get(path).text
    assert all(value.startswith(("/", "#")) and not value.startswith("//") for _, value in Links(text).found)
    assert not re.search(r"(?:https?:)?//[a-z0-9]", text.replace("http://www.w3.org/", ""))


@pytest.mark.parametrize("file", sorted(STATIC.iterdir()), ids=lambda one: one.name)
def test_no_own_file_names_another_host(file: Path) -> None:
    text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")  # a namespace, fetched by nobody
    assert not re.search(r"https?://|//cdn|@import", text)
    assert not re.search(r"\beval\(|new Function|innerHTML\s*=|document\.write", text)


@pytest.mark.parametrize("path", PAGES)
def test_every_link_leads_somewhere(client: TestClient, path: str) -> None:
    pages: dict[str, str] = {}
    for tag, value in Links(client.get(path).text).found:
        if tag == "form":
            continue
        address, _, anchor = value.partition("#")
        address = address or path
        if address not in pages:
            answer = client.get(address)
            assert answer.status_code == 200, (path, value)
            pages[address] = answer.text if "html" in answer.headers["content-type"] else ""
        assert not anchor or anchor in Links(pages[address]).ids, (path, value)


def test_the_failed_run_says_why_in_words_and_figures(client: TestClient) -> None:
    text = client.get("/runs/2").text
    assert re.search(r'<li class="fail holds" data-verdict="fail" aria-current="true">', text)
    assert "group x+: Too many flicks swing beyond the neutral zone on the far side." in text
    assert "Rejected by: 2 exceedances by flick 2" in text
    assert re.search(r'<td class="calls">31\.\d+ <span class="quiet nowrap">± 0\.0\d+</span>', text)


def test_the_passed_run_says_how_it_was_accepted(client: TestClient) -> None:
    text = client.get("/runs/1").text
    assert "Accepted by: gate at flick" in text
    assert 'class="calls"' not in text


def test_the_invalid_run_says_what_happened_and_nothing_of_the_unit(client: TestClient) -> None:
    text = client.get("/runs/4").text
    assert "The guard opened during the run." in text
    assert VERDICTS["invalid"] in text


def test_each_figure_on_a_run_page_has_a_definition(client: TestClient) -> None:
    named = {one.name for one in definitions()}
    linked = set(re.findall(r'href="/definitions#([a-z_]+)"', client.get("/runs/2").text))
    assert linked
    assert linked <= named
    assert named >= {metric.name for metric in CATALOGUE}


def test_the_live_page_shows_cautions_state_and_what_is_missing(client: TestClient, desk: FakeDesk) -> None:
    sentence = "Link lost: no word for 320 ms. Once it is back, scan the unit and press start again; nothing starts by itself."
    desk.show("a", state="unlinked", sentence=sentence, not_ready=("The rig is not linked.",))
    text = client.get("/rigs/a").text
    for caution in CAUTIONS:
        assert caution.split("'")[0] in text
    assert sentence in text
    assert "The rig is not linked." in text
    assert 'data-zones-counts="{&#34;dunlin-2&#34;: 22.0}"' in text


def test_what_comes_from_outside_is_escaped(client: TestClient, desk: FakeDesk) -> None:
    desk.show("a", unit=UnitIdentity("<b>x</b>", '"><script>', ""), sentence="<img src=x>")
    text = client.get("/rigs/a").text
    assert "<b>x</b>" not in text
    assert "<img src=x>" not in text
    assert '"><script>' not in text
    assert "<script>alert" not in client.get("/units?serial=<script>alert(1)</script>").text


def test_real_and_emulated_runs_are_told_apart(client: TestClient, desk: FakeDesk) -> None:
    assert "Emulated rigs (not counted as yield)" in client.get("/").text
    assert "Real rigs" not in client.get("/").text
    desk.show("a", emulated=False)
    text = client.get("/").text
    assert "Real rigs" in text
    assert "emulated rig" not in text.split("<main")[0]


def test_the_list_is_filtered_by_its_form(client: TestClient) -> None:
    text = client.get("/runs?serial=dn-0002&verdict=&reason=&product=&lot=&rig=&since=2026-11-24&until=2026-11-24").text
    assert re.findall(r'href="/runs/(\d+)"', text) == ["2"]
    assert "No runs." in client.get("/runs?verdict=open").text
    assert client.get("/runs?verdict=fine").status_code == 422


def test_the_reasons_of_the_contract_all_have_words() -> None:
    assert set(REASONS) == CONTRACT_REASONS
    assert set(VERDICTS) == {"", *Verdict}


def test_an_unknown_reason_is_shown_and_not_hidden() -> None:
    assert reason_shown("new-cause:x").sentence == "axis x: new-cause"


@pytest.mark.parametrize(
    ("now", "zone", "start"),
    [
        (datetime(2026, 11, 25, 8, tzinfo=UTC), "Europe/London", datetime(2026, 11, 25, tzinfo=UTC)),
        (datetime(2026, 7, 1, 23, 30, tzinfo=UTC), "Europe/London", datetime(2026, 7, 1, 23, tzinfo=UTC)),
        (datetime(2026, 3, 29, 12, tzinfo=UTC), "Europe/Berlin", datetime(2026, 3, 28, 23, tzinfo=UTC)),  # the clocks go forward that night
        (datetime(2026, 11, 25, 2, tzinfo=UTC), "America/New_York", datetime(2026, 11, 24, 5, tzinfo=UTC)),
    ],
)
def test_a_day_begins_at_midnight_of_the_stations_zone(now: datetime, zone: str, start: datetime) -> None:
    assert start_of_day(now, ZoneInfo(zone)) == start


def test_a_day_of_the_filter_is_a_day_of_the_zone() -> None:
    assert midnight(date(2026, 7, 1), ZoneInfo("Europe/London")) == datetime(2026, 6, 30, 23, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "shown"),
    [(4.7e-7, "0.47 µF"), (1e-7, "0.1 µF"), (3.3e-8, "33 nF"), (1e-9, "1 nF"), (2.2e-11, "22 pF"), (0.0, "none"), (None, "not known")],
)
def test_farads_are_shown_as_on_the_bench(value: float | None, shown: str) -> None:
    assert show.farads(value) == shown


@pytest.mark.parametrize(
    ("uncertainty", "shown"),
    [(0.0352, "± 0.035"), (1.24, "± 1.2"), (0.00051, "± 0.0005"), (1e-9, "± <0.0001"), (123.0, "± 123"), (None, ""), (float("nan"), "")],
)
def test_uncertainties_have_two_digits(uncertainty: float | None, shown: str) -> None:
    assert show.plus_minus(uncertainty) == shown


@pytest.mark.parametrize(("value", "shown"), [(-0.001, "0.00"), (1.005, "1.00"), (float("nan"), "not known"), (None, "not known")])
def test_figures_never_show_a_negative_zero(value: float | None, shown: str) -> None:
    assert show.figure(value) == shown


@pytest.mark.parametrize(("share", "shown"), [(0.001, "0.1 %"), (0.025, "2.5 %"), (0.5, "50 %"), (0.0, "0 %"), (None, "not known")])
def test_shares_are_shown_in_per_cent(share: float | None, shown: str) -> None:
    assert show.percent(share) == shown


@pytest.mark.parametrize(
    ("schema", "words"),
    [
        ({"type": "integer"}, "integer"),
        ({"type": "string", "format": "date-time"}, "text (date-time)"),
        ({"anyOf": [{"type": "string"}, {"type": "null"}]}, "text or null"),
        ({"type": "array", "items": {"$ref": "#/components/schemas/RunBody"}}, "list of RunBody"),
        ({"enum": ["a", "b"]}, "one of a, b"),
    ],
)
def test_schemas_are_said_in_words(schema: dict[str, object], words: str) -> None:
    assert type_of(schema) == words
