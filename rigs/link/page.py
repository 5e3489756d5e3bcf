"""Writes docs/rig-link.md from the table of messages: `python -m rigs.link.page`. A test compares the file with what this module makes."""

from collections.abc import Iterable, Sequence
from enum import IntEnum, IntFlag
from pathlib import Path
from typing import Any, Final

import numpy as np

from rigs.link import budget
from rigs.link.codec import fields_bytes, pack, pack_samples
from rigs.link.frames import crc16, frame
from rigs.link.messages import (
    ANGLE_MAX_DECIDEG,
    DEAD_MAN_S,
    ENERGISED_MAX_S,
    ENUMS,
    FREE_MS,
    HEARTBEAT_PERIOD_S,
    HOLD_MS,
    HOST_MESSAGES,
    JOG_SPEED_MAX_DECIDEG_S,
    JOG_STEP_MAX_DECIDEG,
    PROTOCOL_VERSION,
    RIG_MESSAGES,
    SILENCE_S,
    STATUS_PERIOD_S,
    FaultCode,
    Message,
    Refusal,
    State,
)
from rigs.link.page_text import BUDGET, COMMANDS, FRAMES, INTRODUCTION, LIMITS, PROVING, SAFETY, STATES, TRANSITIONS

PATH: Final = Path(__file__).parents[2] / "docs" / "rig-link.md"

EXAMPLES: Final[tuple[tuple[str, dict[str, int], bytes], ...]] = (
    ("HELLO", {"protocol": PROTOCOL_VERSION, "nonce": 0x12345678}, b""),
    ("HEARTBEAT", {"counter": 258}, b""),
    ("FLICK", {"command": 3, "run": 41, "stick": 0, "group": 0, "hold_ms": 100, "free_ms": 200}, b""),
    ("ACK", {"command": 3, "refusal": Refusal.ACCEPTED}, b""),
    ("FAULT", {"fault": FaultCode.GUARD, "tick": 5_000_000, "detail": 0}, b""),
    ("SAMPLES", {"run": 41, "first": 0, "tick": 1_000_000, "stick": 0}, pack_samples(np.array([[2048, 2047], [4095, 1]], dtype=np.uint16))),
)


def page() -> str:
    """The whole page, Markdown."""
    parts = [
        INTRODUCTION.format(version=PROTOCOL_VERSION),
        FRAMES,
        _examples(),
        "## Messages of the host\n",
        *(_message(one) for one in HOST_MESSAGES),
        "## Messages of the rig\n",
        *(_message(one) for one in RIG_MESSAGES),
        "## Enumerations\n",
        *(_enumeration(kind) for kind in ENUMS.values()),
        COMMANDS,
        STATES.format(states=", ".join(state.name for state in State)),
        _table(("in", "event", "to", "the rig"), TRANSITIONS),
        SAFETY,
        "## Times and limits\n",
        _table(("quantity", "value", "who keeps it"), _limits()),
        LIMITS,
        _budget(),
        PROVING,
    ]
    return "\n".join(parts).rstrip() + "\n"


def _table(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    lines += ["| " + " | ".join(str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _hex(data: bytes) -> str:
    return f"`{data.hex(' ')}`"


def _message(message: Message) -> str:
    rows, offset = [], 1
    for one in message.fields:
        size = int(one.code[:-1]) if one.code.endswith("s") else {"B": 1, "H": 2, "h": 2, "I": 4, "i": 4}[one.code]
        kind = f"{size} ASCII" if one.code.endswith("s") else f"{'i' if one.code.islower() else 'u'}{8 * size}"
        rows.append((offset, one.name, kind, one.unit or "-", one.meaning))
        offset += size
    if message.tail:
        rows.append((offset, "samples", "bytes", "-", message.tail))
    title = f"### 0x{message.code:02X} {message.name}\n\n{message.meaning}\n"
    return "\n".join([title, _table(("at", "field", "type", "unit or values", "meaning"), rows)])


def _enumeration(kind: type[IntEnum] | type[IntFlag]) -> str:
    what = "bits, any of them together" if issubclass(kind, IntFlag) else "one of"
    return f"**{kind.__name__}** ({what}): " + ", ".join(f"{int(member)} {member.name}" for member in kind) + ".\n"


def _examples() -> str:
    rows = []
    for name, fields, tail in EXAMPLES:
        payload = pack(name, fields, tail)
        says = ", ".join(f"{key} {int(value)}" for key, value in fields.items())
        rows.append((f"{name}: {says}", _hex(payload), f"`{crc16(payload):04x}`", _hex(frame(payload))))
    return "Worked frames:\n\n" + _table(("message", "payload", "CRC", "on the wire"), rows)


def _limits() -> list[tuple[str, str, str]]:
    return [
        ("heartbeat, host to rig", f"every {HEARTBEAT_PERIOD_S * 1e3:.0f} ms", "host"),
        ("STATUS, rig to host", f"every {STATUS_PERIOD_S * 1e3:.0f} ms, and at changes", "rig"),
        ("dead-man: no valid HEARTBEAT while energised", f"{DEAD_MAN_S * 1e3:.0f} ms, then rest", "rig"),
        ("energised time of one command", f"{ENERGISED_MAX_S * 1e3:.0f} ms, then rest", "rig"),
        ("silence of the rig (no STATUS) that is a lost link", f"{SILENCE_S * 1e3:.0f} ms", "host"),
        ("angle of the finger, either side of home", f"{ANGLE_MAX_DECIDEG / 10:.0f} deg", "rig and host"),
        ("step of a JOG", f"{JOG_STEP_MAX_DECIDEG / 10:.0f} deg", "rig"),
        ("speed of a JOG", f"{JOG_SPEED_MAX_DECIDEG_S / 10:.0f} deg/s", "rig and host"),
        ("hold of a FLICK", f"{HOLD_MS[0]} to {HOLD_MS[1]} ms", "rig and host"),
        ("free time of a FLICK", f"{FREE_MS[0]} to {FREE_MS[1]} ms", "rig and host"),
    ]


def _load_rows() -> list[tuple[str, str, str]]:
    small, large = budget.SMALL, budget.LARGE
    columns = [
        ("", [f"{load.rate_hz} S/s and axis, blocks of {load.block_samples}" for load in (small, large)]),
        ("line to the host, B/s", [f"{load.line_bytes_s}" for load in (small, large)]),
        ("SAMPLES, bytes a frame", [f"{budget.frame_bytes('SAMPLES', load.block_samples)}" for load in (small, large)]),
        ("SAMPLES, B/s", [f"{load.samples_bytes_s:.0f}" for load in (small, large)]),
        ("STATUS, B/s", [f"{load.status_bytes_s:.0f}" for load in (small, large)]),
        ("share of the line", [f"{100 * load.used_share:.0f} %" for load in (small, large)]),
        ("a block is gathered in", [f"{load.block_s * 1e3:.1f} ms" for load in (small, large)]),
        ("a block is sent in, behind a STATUS and a DONE", [f"{load.send_s * 1e3:.1f} ms" for load in (small, large)]),
    ]
    return [(name, values[0], values[1]) for name, values in columns]


def _budget() -> str:
    header, *rows = _load_rows()
    memory = budget.small_memory()
    memory_rows = [*memory.items(), ("together, of 2048", sum(memory.values()))]
    idle = f"Towards the rig a heartbeat takes {budget.host_bytes_s():.0f} B/s (HEARTBEAT is {budget.frame_bytes('HEARTBEAT')} bytes, "
    idle += f"the longest command, FLICK, {budget.frame_bytes('FLICK')}; IDENTITY has {fields_bytes('IDENTITY')} bytes of fields).\n"
    return "\n".join([BUDGET, _table(header, rows), idle, _table(("RAM of the small rig for", "bytes"), memory_rows)])


if __name__ == "__main__":
    PATH.write_text(page(), encoding="utf-8")
