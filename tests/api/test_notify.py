"""Words to the service manager: what a real service says from start to end, and the files that make it one."""

import itertools
import re
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

from api.notify import Notifier
from tests.api.real import real_station, until

PROFILES = Path(__file__).parents[2] / "rigs" / "profiles"
UNIT = PROFILES / "restpoint.service"
RULES = PROFILES / "60-restpoint-rig.rules"


def listening(path: Path) -> socket.socket:
    made = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    made.bind(str(path))
    made.settimeout(5.0)
    return made


def heard(at: socket.socket) -> list[tuple[float, str]]:
    """Everything that waits, with when it was read."""
    at.setblocking(False)
    found = []
    try:
        while True:
            found.append((time.monotonic(), at.recv(4096).decode()))
    except BlockingIOError:
        return found


def test_a_service_says_ready_feeds_the_watchdog_through_a_run_and_says_when_it_stops(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with listening(tmp_path / "n") as manager:
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "n"))
        with real_station(tmp_path) as station:
            said = [word for _, word in heard(manager)]
            assert f"READY=1\nSTATUS=Serves at {station.url}" in said
            station.load()
            station.start()
            signs: list[tuple[float, str]] = []

            def ended() -> bool:
                signs.extend(heard(manager))
                return len(signs) >= 12 or bool(station.view()["state"] == "ended")

            until(ended)
            times = [at for at, said in signs if said == "WATCHDOG=1"]
            gaps = [later - sooner for sooner, later in itertools.pairwise(times)]
            assert len(times) >= 8
            assert max(gaps) < 2.0, gaps
            station.end(signal.SIGTERM)
            assert "STOPPING=1" in [said for _, said in heard(manager)]


def test_without_a_manager_nothing_is_said(tmp_path: Path) -> None:
    silent = Notifier({})
    silent.tell("READY=1")
    silent.close()
    gone = Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
    gone.tell("READY=1")
    assert gone.failures == 1
    gone.close()
    gone.close()


def test_the_unit_is_one_that_systemd_takes(tmp_path: Path) -> None:
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not installed")
    there = tmp_path / "restpoint.service"
    there.write_text(UNIT.read_text().replace("/opt/restpoint/bin/restpoint", "/bin/true"))
    done = subprocess.run([analyze, "verify", str(there)], capture_output=True, text=True, timeout=30, check=False)
    said = [line for line in done.stderr.splitlines() if "restpoint" in line]
    assert (done.returncode, said) == (0, [])


@pytest.mark.parametrize(
    "line",
    [
        *("Type=notify", "WatchdogSec=2", "Restart=on-failure", "SuccessExitStatus=143", "TimeoutStopSec=10", "NoNewPrivileges=yes"),
        *("ProtectSystem=strict", "DevicePolicy=closed", "DeviceAllow=char-ttyACM rw", "StateDirectory=restpoint"),
    ],
)
def test_the_unit_keeps_what_it_is_there_for(line: str) -> None:
    assert line in UNIT.read_text().splitlines()


MATCH = r'(?:[A-Z_]+|ATTRS?\{\w+\}|ENV\{\w+\})(?:==|!=)"[^"]*"'
ASSIGN = r'(?:SYMLINK\+=|GROUP=|MODE=|TAG\+=|GOTO=|LABEL=|ENV\{\w+\}=|ATTR\{\w+\}=)"[^"]*"'


def test_the_rules_are_lines_of_matches_and_assignments() -> None:
    lines = [line for line in RULES.read_text().splitlines() if line and not line.startswith("#")]
    assert lines
    for line in lines:
        for part in line.split(", "):
            assert re.fullmatch(f"{MATCH}|{ASSIGN}", part), part


def test_the_rules_give_the_name_that_the_profile_uses() -> None:
    assert 'SYMLINK+="restpoint-rig-1"' in RULES.read_text()
    assert 'port = "/dev/restpoint-rig-1"' in (PROFILES / "station.toml").read_text()
    assert 'ENV{ID_MM_DEVICE_IGNORE}="1"' in RULES.read_text()
