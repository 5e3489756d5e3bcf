"""The emulated rig as a process: real bytes over a pty and over TCP, a cable that really goes, the share of a core it takes."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from api.cli.main import call
from rigs.driver.dialogue import RigDriver
from rigs.driver.transport import SerialTransport
from rigs.emulated.operator import BenchClient, parse_address
from rigs.emulated.pace import HeartbeatPace, SteadyPace, pace_of
from rigs.link import FrameReader, Received, encode
from station.errors import ConfigurationError, LinkLost, NotReady, RigError, UsageError
from station.ports import Flick, ReadSupply, Sample, Unclamp
from station.quantities import GROUPS
from tests.rigs.emulated_host import rig_with

BUSY_SHARE = 0.20  # of one core, sampling 2 x 10 kS/s at real pace; 0.05 was measured


class RealClock:
    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


@contextmanager
def emulator(*words: str) -> Iterator[tuple[subprocess.Popen[str], dict[str, Any]]]:
    """A running process and what its first line says."""
    command = [sys.executable, "-c", "from api.cli.main import run; run()", "rig-emulator", "--json", *words]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield process, json.loads(process.stdout.readline())
    finally:
        process.terminate()
        process.wait(5)
        process.stdout.close()  # type: ignore[union-attr]


def link_words(kind: str, folder: Path) -> list[str]:
    return ["--port", str(folder / "rig")] if kind == "pty" else ["--tcp", "127.0.0.1:0"]


def cpu_s(process: subprocess.Popen[str]) -> float:
    fields = Path(f"/proc/{process.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def write_much(transport: SerialTransport) -> None:
    for _ in range(100):
        transport.write(b"\0" * 1024)


def poll_for(driver: RigDriver, seconds: float) -> None:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        driver.poll(0.02)


@pytest.mark.parametrize("kind", ["pty", "tcp"])
def test_a_unit_is_flicked_over_a_real_link_and_the_cable_pulled(kind: str, tmp_path: Path) -> None:
    with ExitStack() as last:
        process, told = last.enter_context(emulator("--control", str(tmp_path / "control"), *link_words(kind, tmp_path)))
        bench = last.enter_context(closing(BenchClient(told["control"])))
        driver = last.enter_context(closing(RigDriver("north", SerialTransport(told["port"]), RealClock(), told["rig_id"])))
        assert driver.connect().emulated
        label = bench.change_unit()
        driver.poll(0.02)
        driver.carry_out(ReadSupply())
        driver.carry_out(Sample(1, True))
        begun_s, begun_cpu_s = time.monotonic(), cpu_s(process)
        for group in GROUPS:
            driver.carry_out(Flick(1, group, 0.06, 0.15))
        share = (cpu_s(process) - begun_cpu_s) / (time.monotonic() - begun_s)
        chunk = driver.take_samples()
        assert chunk.contiguous
        assert len(chunk.codes) > 13_000
        assert share < BUSY_SHARE
        assert label["serial"].startswith("DN2-")

        bench.inject("unplug", after_s=0.1)
        with pytest.raises(LinkLost):
            driver.carry_out(Flick(1, "x+", 0.2, 0.3))
        driver.close()
        with pytest.raises(LinkLost):
            driver.connect()
        time.sleep(0.3)
        pulled = next(one["time_s"] for one in reversed(bench.log(kind="inject")) if one["what"] == "unplug")
        rest = bench.log(since_s=pulled, kind="rest")[0]["time_s"]
        assert rest - pulled <= 0.25

        bench.inject("replug")
        assert driver.connect().boot == 1
        driver.carry_out(Unclamp())
        assert bench.state()["unit"] is None
    assert process.returncode == 128 + signal.SIGTERM
    assert not (tmp_path / "rig").is_symlink()


def test_a_host_that_comes_again_hears_nothing_stale(tmp_path: Path) -> None:
    with emulator("--port", str(tmp_path / "rig")) as (_, told):
        transport = SerialTransport(told["port"])
        for _ in range(3):
            transport.open()
            transport.write(b"\0" + encode("HELLO", protocol=1, nonce=5))
            reader = FrameReader("rig")
            heard: list[Received] = []
            until_s = time.monotonic() + 2.0
            while not any(one.name == "IDENTITY" for one in heard) and time.monotonic() < until_s:
                heard += reader.feed(transport.read(4096, 0.05))
            assert len([one for one in heard if one.name == "STATUS"]) <= 3
            assert heard[-1].fields["rig_id"] == "rig-1"
            assert reader.bad_frames == 0
            transport.close()
            time.sleep(0.1)


def test_a_rig_that_stops_reading_stalls_the_host(tmp_path: Path) -> None:
    with ExitStack() as last:
        _, told = last.enter_context(emulator("--port", str(tmp_path / "rig"), "--control", "127.0.0.1:0"))
        bench = last.enter_context(closing(BenchClient(told["control"])))
        transport = last.enter_context(closing(SerialTransport(told["port"])))
        transport.open()
        bench.inject("stop_reading")
        with pytest.raises(LinkLost, match="no more bytes"):
            write_much(transport)


def test_fast_pace_flicks_faster_and_keeps_the_dead_man_quiet(tmp_path: Path) -> None:
    with ExitStack() as last:
        _, told = last.enter_context(emulator("--port", str(tmp_path / "rig"), "--control", "127.0.0.1:0", "--pace", "fast"))
        bench = last.enter_context(closing(BenchClient(told["control"])))
        driver = last.enter_context(closing(RigDriver("north", SerialTransport(told["port"]), RealClock())))
        driver.connect()
        bench.change_unit()
        driver.carry_out(Sample(1, True))
        begun_s = time.monotonic()
        for number in range(6):
            driver.carry_out(Flick(1, GROUPS[number % 4], 0.06, 0.15))
        assert time.monotonic() - begun_s < 0.75 * 6 * 0.33
        assert driver.poll(0.02).fault == ""


def test_the_control_channel_answers_errors_and_many_clients(tmp_path: Path) -> None:
    with ExitStack() as last:
        _, told = last.enter_context(emulator("--tcp", "127.0.0.1:0", "--control", "127.0.0.1:0"))
        clients = [last.enter_context(closing(BenchClient(told["control"]))) for _ in range(3)]
        serial = clients[0].clamp()["serial"]
        with pytest.raises(NotReady, match=serial):
            clients[1].clamp()
        with pytest.raises(UsageError, match="fly"):
            clients[2].ask("fly")
        clients[1].close_guard()
        assert clients[2].state()["guard_closed"]
        clients[2].press_stop()
        assert clients[0].state()["fault"] == "STOP"
        clients[0].release_stop()
        assert [one["kind"] for one in clients[1].log()][:2] == ["boot", "clamp"]
    with pytest.raises(LinkLost, match="running"):
        BenchClient(told["control"]).state()


@pytest.mark.parametrize(
    ("words", "names"),
    [
        ([], "--port"),
        (["--port", "a", "--tcp", "127.0.0.1:1"], "--port"),
        (["--tcp", "127.0.0.1"], "127.0.0.1"),
        (["--tcp", "192.0.2.1:7001"], "192.0.2.1:7001"),
        (["--tcp", "127.0.0.1:0", "--bits", "13"], "bits"),
        (["--tcp", "127.0.0.1:0", "--rate", "10"], "sample_rate_hz"),
        (["--tcp", "127.0.0.1:0", "--pace", "quick"], "quick"),
        (["--tcp", "127.0.0.1:0", "--pace", "0"], "pace"),
        (["--tcp", "127.0.0.1:0", "--bench", "nowhere.toml"], "nowhere.toml"),
        (["--tcp", "127.0.0.1:0", "--rig-id", "a name that is too long"], "rig_id"),
        (["--tcp", "127.0.0.1:0", "--control", "127.0.0.1:x"], "control"),
        (["--tcp", "127.0.0.1:0", "--sticks", ","], "sticks"),
    ],
)
def test_what_cannot_be_is_one_line_and_exit_code_2(words: list[str], names: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(["rig-emulator", *words]) == 2
    said = capsys.readouterr().err
    assert names in said
    assert said.count("\n") == 1


def test_a_name_that_is_a_file_is_not_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "kept"
    kept.write_text("mine")
    assert call(["rig-emulator", "--port", str(kept)]) == 2
    assert kept.read_text() == "mine"
    assert str(kept) in capsys.readouterr().err


def test_an_address_that_is_taken_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    with emulator("--tcp", "127.0.0.1:0") as (_, told):
        address = told["port"].removeprefix("socket://")
        assert call(["rig-emulator", "--tcp", address]) == 2
    assert address in capsys.readouterr().err


def test_paces_count_rig_time_by_the_host_s_clock() -> None:
    now = [100.0]
    pace = SteadyPace(lambda: now[0], 2.0)
    now[0] += 3.0
    assert (pace.rig_now_s(), pace.host_s(7.0)) == (6.0, 0.5)
    rig = rig_with()
    fast = pace_of("fast", lambda: now[0], rig)
    assert isinstance(fast, HeartbeatPace)
    now[0] += 0.1
    assert fast.rig_now_s() == pytest.approx(0.1)
    rig.advance(0.1)
    for data in (encode("HELLO", protocol=1, nonce=1), encode("HEARTBEAT", counter=1), encode("SAMPLE", command=1, run=1, stick=0, on=1)):
        rig.receive(data)
    assert fast.rig_now_s() == pytest.approx(0.15)
    assert fast.host_s(0.25) == pytest.approx(0.1)
    for wrong in ("0", "nan", "1000", "slow"):
        with pytest.raises(ConfigurationError, match="pace"):
            pace_of(wrong, lambda: now[0], rig)


@pytest.mark.parametrize("text", ["", ":7", "host:", "host:70000", "host:-1"])
def test_addresses_that_cannot_be(text: str) -> None:
    with pytest.raises(ConfigurationError, match="control"):
        parse_address(text)


def test_rig_errors_are_ours(tmp_path: Path) -> None:
    with ExitStack() as last:
        process, told = last.enter_context(emulator("--port", str(tmp_path / "rig")))
        driver = last.enter_context(closing(RigDriver("north", SerialTransport(told["port"]), RealClock())))
        driver.connect()
        process.kill()
        process.wait(5)
        with pytest.raises(RigError):
            poll_for(driver, 1.0)
