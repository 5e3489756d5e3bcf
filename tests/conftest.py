"""What every test may rely on."""

import os
from pathlib import Path

import pytest

from station.specification import Specification, parse_specification

DATA = Path(__file__).parent / "data"
NO_SKIPS = "RESTPOINT_NO_SKIPS"


@pytest.fixture(scope="session")
def dunlin() -> Specification:
    """The demo product's specification."""
    return parse_specification((DATA / "dunlin-2-A.toml").read_text())


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    if os.environ.get(NO_SKIPS) and skipped:
        terminalreporter.write_line(f"{len(skipped)} tests were skipped although {NO_SKIPS} is set", red=True)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get(NO_SKIPS) and reporter is not None and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
