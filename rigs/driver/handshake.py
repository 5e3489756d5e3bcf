"""The first words: who is at the other end. Opening a port may have reset the rig, so it is asked several times."""

from collections.abc import Mapping
from typing import Any, Final

from rigs.driver.line import Line
from rigs.driver.watch import SLACK_S
from rigs.link.messages import PROTOCOL_VERSION, TICKS_PER_SAMPLE_MIN
from station.errors import LinkBad, LinkLost, RigMismatch
from station.ports import Clock
from station.records import RigIdentity

HELLO_TRIES: Final = 12
HELLO_WAIT_S: Final = 0.25  # twelve are 3 s: a boot loader may hold a small rig for two after a reset (common practice, no source)


def shake_hands(line: Line, clock: Clock, nonce: int, expect_rig_id: str | None) -> RigIdentity:
    """Identity of the rig on an open line. Raises LinkLost (nothing comes), LinkBad (nothing that makes sense), RigMismatch."""
    said = _ask(line, clock, nonce)
    if said["protocol"] != PROTOCOL_VERSION:
        raise RigMismatch(
            f"rig {line.name} speaks protocol {said['protocol']}, this station speaks {PROTOCOL_VERSION}; update the older of the two",
            rig_protocol=said["protocol"],
            station_protocol=PROTOCOL_VERSION,
        )
    if expect_rig_id is not None and said["rig_id"] != expect_rig_id:
        raise RigMismatch(
            f"rig {line.name}: the machine at {line.port} is {said['rig_id']!r}, expected {expect_rig_id!r}; "
            "check which rig is plugged in where",
            rig_id=said["rig_id"],
            expected=expect_rig_id,
        )
    return _identity(line, said)


def _ask(line: Line, clock: Clock, nonce: int) -> Mapping[str, Any]:
    for _ in range(HELLO_TRIES):
        line.send("HELLO", protocol=PROTOCOL_VERSION, nonce=nonce)
        deadline_s = clock.monotonic_s() + HELLO_WAIT_S
        while (left_s := deadline_s - clock.monotonic_s()) > SLACK_S:
            for message in line.receive(left_s):
                if message.name == "IDENTITY" and message.fields["nonce"] == nonce:
                    return message.fields
    tried = f"asked {HELLO_TRIES} times in {HELLO_TRIES * HELLO_WAIT_S:g} s"
    if line.bytes_read == 0:
        raise LinkLost(f"rig {line.name}: nothing comes from {line.port}, {tried}; check power and cable of the rig", cause="silent")
    raise LinkBad(
        f"rig {line.name}: {line.bytes_read} bytes came from {line.port} but no answer among them, {tried}; "
        "check the rate and whether a rig is there",
        bytes=line.bytes_read,
        bad_frames=line.reader.bad_frames,
    )


def _identity(line: Line, said: Mapping[str, Any]) -> RigIdentity:
    rate, tick_hz = said["sample_rate"], said["tick_hz"]
    _plausible(line, "sample_rate", rate, rate > 0, "above 0 Hz")
    _plausible(line, "tick_hz", tick_hz, tick_hz >= TICKS_PER_SAMPLE_MIN * rate, f"at least {TICKS_PER_SAMPLE_MIN * rate} Hz")
    _plausible(line, "bits", said["bits"], 8 <= said["bits"] <= 12, "8 to 12")
    _plausible(line, "reference_uv", said["reference_uv"], said["reference_uv"] > 0, "above 0 uV")
    return RigIdentity(
        rig_id=said["rig_id"],
        firmware=said["firmware"],
        protocol=said["protocol"],
        boot=said["boot"],
        emulated=bool(said["emulated"]),
        sample_rate_hz=rate,
        bits=said["bits"],
        reference_v=said["reference_uv"] * 1e-6,
        tick_hz=tick_hz,
    )


def _plausible(line: Line, name: str, value: int, good: bool, expected: str) -> None:
    if not good:
        raise RigMismatch(
            f"rig {line.name} says {name} is {value}; expected {expected}. Have its firmware checked", field=name, value=value
        )
