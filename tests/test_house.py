"""Documents that cannot lie, and the shape of the house."""

import inspect
import re
import tomllib
from pathlib import Path

import pytest

from api.cli.main import COMMANDS
from api.config import load_config
from station import errors
from station.errors import RestpointError
from station.service.troubles import reason_of
from station.specification import Limits, parse_specification

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
PROFILES = ROOT / "rigs" / "profiles"
OURS = [path for part in ("station", "rigs", "db", "api", "migrations") for path in sorted((ROOT / part).rglob("*.py"))]


def error_classes() -> set[str]:
    return {name for name, one in vars(errors).items() if inspect.isclass(one) and issubclass(one, RestpointError)}


def test_the_error_tree_is_drawn_in_full() -> None:
    drawn = set(re.findall(r"^    (?:[| `-]*)([A-Z]\w+)", errors.__doc__ or "", re.MULTILINE))
    assert error_classes() - drawn <= {"KeyProblem"}  # the shared shape of two leaves, never raised itself
    assert drawn <= error_classes()


def test_error_codes_are_distinct() -> None:
    codes = [vars(errors)[name].code for name in error_classes() - {"KeyProblem"}]
    assert len(codes) == len(set(codes))


@pytest.mark.parametrize("name", sorted(one for one in error_classes() if issubclass(vars(errors)[one], errors.RigError)))
def test_every_trouble_of_a_rig_has_a_reason(name: str) -> None:
    assert reason_of(vars(errors)[name]("x")) == "rig-link"


def test_every_dependency_is_explained() -> None:
    names = [re.split(r"[\[>=~<]", line)[0] for line in PROJECT["project"]["dependencies"]]
    names += [re.split(r"[\[>=~<]", line)[0] for lines in PROJECT["project"]["optional-dependencies"].values() for line in lines]
    table = DEVELOPERS[DEVELOPERS.index("## Dependencies") : DEVELOPERS.index("## Decisions")]
    for name in names:
        assert re.search(rf"\b{re.escape(name)}\b", table), name


def test_every_dependency_is_pinned_without_a_host() -> None:
    pins = (ROOT / "constraints.txt").read_text()
    assert "://" not in pins
    pinned = {line.split("==")[0].lower().replace("_", "-") for line in pins.splitlines() if line}
    for line in PROJECT["project"]["dependencies"]:
        assert re.split(r"[\[>=~<]", line)[0].lower() in pinned, line


def test_commands_of_the_manual_exist() -> None:
    known = {name for name, _, _ in COMMANDS}
    used = set(re.findall(r"restpoint ([a-z][a-z-]+)", README))
    assert used <= known | {"serves"}, used - known
    assert {"score", "advise", "plan", "gauge", "runs", "units", "serve"} <= used


def test_links_of_the_manual_lead_somewhere() -> None:
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target).exists(), target


def test_every_decision_is_listed() -> None:
    for path in (ROOT / "docs" / "decisions").glob("*.md"):
        assert f"docs/decisions/{path.name}" in DEVELOPERS, path.name


def test_the_configuration_profile_is_a_good_one() -> None:
    config = load_config(PROFILES / "station.toml", {})
    assert config.rigs[0].rig_id == "RP-0001"
    text = (PROFILES / "station.toml").read_text()
    for section, model in (("station", config.station), ("web", config.web), ("rigs", config.rigs[0])):
        for key in type(model).model_fields:
            assert re.search(rf"^#? ?{key} = ", text, re.MULTILINE) or key == "allowed_hosts", f"{section}.{key} is not in the profile"


def test_specifications_of_the_profile_are_good_and_every_limit_has_a_meaning() -> None:
    for path in (PROFILES / "specifications").glob("*.toml"):
        assert parse_specification(path.read_text()).name == "dunlin-2"
    from station.measure.catalogue import CATALOGUE

    used = {metric.limit for metric in CATALOGUE if metric.limit} | {"rest_error_counts", "noise_counts", "settle_band_counts"}
    assert set(Limits.model_fields) <= used | {"reach_error_counts"}


@pytest.mark.parametrize("path", OURS, ids=lambda path: str(path.relative_to(ROOT)))
def test_rooms_are_small(path: Path) -> None:
    assert len(path.read_text().splitlines()) <= 400
