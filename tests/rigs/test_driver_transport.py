"""The serial transport on real ptys and sockets: bounded, unpluggable, exclusive, and silent about foreign errors."""

import contextlib
import errno
import os
import socket
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from rigs.driver.dialogue import RigDriver
from rigs.driver.transport import LOSSES, WRITE_LIMIT_S, SerialTransport
from rigs.link.messages import SILENCE_S
from station.errors import ConfigurationError, LinkLost
from station.ports.rig import Flick, Sample
from tests.rigs.plugs import RealClock, open_descriptors, plugged, rig_behind
from tests.rigs.scripted import block

FLICK = Flick(7, "x+", 0.1, 0.2)


@contextlib.contextmanager
def opened(url: str) -> Iterator[SerialTransport]:
    transport = SerialTransport(url)
    transport.open()
    try:
        yield transport
    finally:
        transport.close()


@contextlib.contextmanager
def listening() -> Iterator[tuple[socket.socket, str]]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server, f"socket://127.0.0.1:{server.getsockname()[1]}"


def read_all(transport: SerialTransport, count: int) -> bytes:
    data = b""
    end_s = time.monotonic() + 2.0
    while len(data) < count and time.monotonic() < end_s:
        data += transport.read(4096, 0.05)
    return data


def test_bytes_pass_both_ways_over_a_pty(tmp_path: Path) -> None:
    every = bytes(range(256))
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)) as transport:
        transport.write(every)
        assert os.read(plug.master, 4096) == every
        os.write(plug.master, every)
        assert read_all(transport, 256) == every
        os.write(plug.master, every)
        assert transport.read(10, 0.05) == every[:10]
        assert transport.describe() == str(plug.link)


def test_bytes_pass_both_ways_over_a_socket() -> None:
    every = bytes(range(256)) * 20
    with listening() as (server, url), opened(url) as transport:
        peer, _ = server.accept()
        with peer:
            transport.write(every)
            assert peer.recv(len(every), socket.MSG_WAITALL) == every
            peer.sendall(every)
            assert read_all(transport, len(every)) == every
            assert transport._socket is not None
            assert transport._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


@pytest.mark.parametrize("wait_s", [0.0, 0.02, 10.0])
def test_a_read_waits_no_longer_than_it_may(tmp_path: Path, wait_s: float) -> None:
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)) as transport:
        begin_s = time.monotonic()
        assert transport.read(100, wait_s) == b""
        took_s = time.monotonic() - begin_s
    assert min(wait_s, 0.05) - 0.002 <= took_s < min(wait_s, 0.05) + 0.5


def test_a_read_takes_all_that_is_there_at_once(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)) as transport:
        os.write(plug.master, b"x" * 300)
        assert transport.read(4096, 0.05) == b"x" * 300  # one read, not one byte at a time


def test_unplugging_is_a_lost_link_for_reads_and_writes(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)) as transport:
        plug.unplug()
        with pytest.raises(LinkLost, match="was lost") as caught:
            transport.read(100, 0.05)
        assert caught.value.facts == {"port": str(plug.link), "cause": "gone"}
        with pytest.raises(LinkLost, match="was lost"):
            transport.write(b"x")


def test_a_closed_transport_is_a_lost_link(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug:
        transport = SerialTransport(str(plug.link))
        for call in (lambda: transport.read(1, 0.0), lambda: transport.write(b"x")):
            with pytest.raises(LinkLost):
                call()
        transport.close()
        transport.close()


def test_a_hundred_unplugs_leak_no_descriptor(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug:
        transport = SerialTransport(str(plug.link))
        plug.unplug()
        before = open_descriptors()
        for _ in range(100):
            plug.plug_in()
            transport.open()
            plug.unplug()
            with pytest.raises(LinkLost):
                transport.read(100, 0.05)
            with pytest.raises(LinkLost, match="is not there"):
                transport.open()
        transport.close()
        assert open_descriptors() == before


def test_a_peer_that_closes_its_socket_is_a_lost_link_and_leaks_nothing() -> None:
    before = open_descriptors()
    with listening() as (server, url):
        for _ in range(3):
            with opened(url) as transport:
                peer, _ = server.accept()
                # closed by a reset: pyserial then leaves its own end open
                peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                peer.close()
                with pytest.raises(LinkLost):
                    transport.read(100, 0.05)
    assert open_descriptors() == before


def test_a_peer_that_stops_reading_ends_the_write_in_time(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)) as transport:
        longest_s, written = 0.0, 0
        with pytest.raises(LinkLost, match="stopped reading") as caught:  # noqa: PT012
            while written < 1_000_000:
                begin_s = time.monotonic()
                try:
                    transport.write(b"x" * 1000)
                finally:
                    longest_s = max(longest_s, time.monotonic() - begin_s)
                written += 1000
        assert caught.value.facts["cause"] == "stalled"
        assert longest_s < WRITE_LIMIT_S + 0.5
        begin_s = time.monotonic()
        transport.close()
        assert time.monotonic() - begin_s < 1.0  # the kernel would wait for thirty
    print(f"longest write {longest_s * 1e3:.0f} ms after {written} bytes")


def test_a_socket_peer_that_stops_reading_ends_the_write_in_time() -> None:
    with listening() as (server, url), opened(url) as transport:
        peer, _ = server.accept()
        with peer:
            begin_s = time.monotonic()
            with pytest.raises(LinkLost, match="stopped reading"):
                transport.write(b"x" * 50_000_000)
            assert time.monotonic() - begin_s < WRITE_LIMIT_S + 0.5


def test_a_second_opener_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)):
        second = SerialTransport(str(plug.link))
        with pytest.raises(LinkLost) as caught:
            second.open()
        assert caught.value.facts["cause"] == "taken"
        assert caught.value.message == f"port {plug.link} is in use by another program; close that program"
        second.close()


def test_the_next_opener_is_welcome_after_a_close(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug:
        for _ in range(3):
            with opened(str(plug.link)):
                pass


def test_opening_leaves_no_reset_for_the_next_opening(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug, opened(str(plug.link)) as transport:
        assert not termios.tcgetattr(transport._port.fileno())[2] & termios.HUPCL


def test_a_missing_port_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(LinkLost) as caught:
        SerialTransport(str(tmp_path / "none")).open()
    assert caught.value.facts["cause"] == "missing"
    assert caught.value.message == f"port {tmp_path / 'none'} is not there; plug the rig in or correct the port's name"


def test_a_file_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("no rig")
    with pytest.raises(LinkLost, match="is not a serial port") as caught:
        SerialTransport(str(path)).open()
    assert caught.value.facts["cause"] == "not-a-port"


def test_an_address_where_nobody_listens_is_told_in_one_sentence() -> None:
    with listening() as (_, url):
        pass
    with pytest.raises(LinkLost, match="is answered by nobody") as caught:
        SerialTransport(url).open()
    assert caught.value.facts == {"port": url, "cause": "refused"}


@pytest.mark.parametrize(
    "url", ["", "socket://127.0.0.1", "socket://:4000", "socket://127.0.0.1:99999", "socket://[::1", "loop://", "http://127.0.0.1:80"]
)
def test_an_url_of_another_kind_is_a_matter_of_configuration(url: str) -> None:
    with pytest.raises(ConfigurationError, match=r"port is .*; expected the path of a device or socket://host:port"):
        SerialTransport(url)


def test_an_impossible_rate_is_a_matter_of_configuration() -> None:
    with pytest.raises(ConfigurationError, match="baud is -5"):
        SerialTransport("/dev/null", baud=-5)


class Breaking:
    """A pyserial port whose every verb fails in one way."""

    def __init__(self, problem: BaseException, descriptor: int) -> None:
        self._problem = problem
        self._descriptor = descriptor
        self.is_open = True

    def fileno(self) -> int:
        return self._descriptor

    def _fail(self, *_: Any) -> None:
        raise self._problem

    open = read = write = close = reset_output_buffer = _fail


PROBLEMS = [
    serial.SerialException("device reports readiness to read but returned no data"),
    serial.SerialTimeoutException("Write timeout"),
    serial.PortNotOpenError(),
    OSError(errno.EIO, "Input/output error"),
    termios.error(errno.EIO, "Input/output error"),
    TypeError("'NoneType' object cannot be interpreted as an integer"),
    ValueError("filedescriptor out of range in select()"),
]


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda one: type(one).__name__)
def test_every_foreign_error_becomes_a_lost_link_at_the_seam(problem: BaseException, tmp_path: Path) -> None:
    assert isinstance(problem, LOSSES)
    with plugged(tmp_path / "rig") as plug:
        os.write(plug.master, b"x")
        transport = SerialTransport(str(plug.link))
        slave = os.open(plug.link, os.O_RDWR | os.O_NOCTTY)
        os.write(plug.master, b"something to read\n")
        transport._port = Breaking(problem, slave)
        for call in (lambda: transport.read(100, 0.05), lambda: transport.write(b"x"), transport.open):
            with pytest.raises(LinkLost):
                call()
        transport.close()
        os.close(slave)


@pytest.mark.parametrize(
    ("number", "cause"),
    [
        (errno.ENOENT, "missing"),
        (errno.ENXIO, "missing"),
        (errno.EACCES, "denied"),
        (errno.EBUSY, "taken"),
        (errno.EAGAIN, "taken"),
        (errno.EHOSTUNREACH, "unreachable"),
        (errno.EIO, "unopened"),
    ],
)
def test_the_reason_why_a_port_cannot_be_opened_is_named(number: int, cause: str, tmp_path: Path) -> None:
    transport = SerialTransport(str(tmp_path / "rig"))
    transport._port = Breaking(serial.SerialException(number, "could not open port"), -1)
    with pytest.raises(LinkLost) as caught:
        transport.open()
    assert caught.value.facts["cause"] == cause
    assert "\n" not in caught.value.message


def test_a_rig_on_a_pty_is_lost_and_found_again(tmp_path: Path) -> None:
    """Unplugged while idle and in the middle of a flick, five times each; figures in the output."""
    detection_s: list[float] = []
    with plugged(tmp_path / "rig") as plug:
        driver = RigDriver("north", SerialTransport(str(plug.link)), RealClock(), "MG-01")
        plug.unplug()
        before = open_descriptors()
        for cycle in range(10):
            plug.plug_in()
            with rig_behind(plug.master):
                driver.connect()
                driver.poll(0.02)
            detection_s.append(lose(driver, plug.unplug, in_flick=cycle % 2 == 1))
            with pytest.raises(LinkLost, match="is not there"):
                driver.connect()
        driver.close()
        assert open_descriptors() == before
    assert sorted(detection_s)[len(detection_s) // 2] <= SILENCE_S
    assert max(detection_s) <= SILENCE_S + 0.7  # a machine under load
    print(f"loss seen after {1e3 * max(detection_s):.0f} ms at most")


def lose(driver: RigDriver, unplug: Any, in_flick: bool) -> float:
    timer = threading.Timer(0.03, unplug)
    timer.start()
    begin_s = time.monotonic()
    with pytest.raises(LinkLost):  # noqa: PT012
        while time.monotonic() - begin_s < 2.0:
            if in_flick:
                driver.carry_out(FLICK)
            else:
                driver.poll(0.05)
    timer.join()
    return time.monotonic() - begin_s - 0.03


def test_a_run_of_samples_passes_a_pty_whole(tmp_path: Path) -> None:
    with plugged(tmp_path / "rig") as plug, rig_behind(plug.master) as rig:
        driver = RigDriver("north", SerialTransport(str(plug.link)), RealClock(), "MG-01")
        driver.connect()
        driver.carry_out(Sample(7, True))
        for first in range(0, 7500, 75):
            rig.say(block(7, first, count=75), first / 75 * 0.002)
        end_s, count = time.monotonic() + 5.0, 0
        while count < 7500 and time.monotonic() < end_s:
            driver.poll(0.02)
            chunk = driver.take_samples()
            assert (chunk.first, chunk.contiguous) == (count, True)
            count += len(chunk.codes)
        assert count == 7500
        driver.halt()
        assert driver.halts_unconfirmed == 0
        driver.close()
