"""The page of the link is what the table says, and its arithmetic holds."""

import re

import pytest

from rigs.link import FrameReader, budget
from rigs.link.messages import ENUMS, MESSAGES, FaultCode
from rigs.link.page import EXAMPLES, PATH, page
from rigs.link.page_text import TRANSITIONS


def test_the_page_is_up_to_date() -> None:
    assert PATH.read_text(encoding="utf-8") == page(), "run `python -m rigs.link.page`"


def test_every_message_and_value_stands_on_the_page() -> None:
    text = page()
    for message in MESSAGES:
        assert f"### 0x{message.code:02X} {message.name}\n" in text
    for kind in ENUMS.values():
        for member in kind:
            assert f"{int(member)} {member.name}" in text
    for fault in FaultCode:
        assert fault == FaultCode.NONE or any(row[2].endswith(f": {fault.name}") for row in TRANSITIONS), fault


def test_the_worked_frames_are_read_back() -> None:
    received = FrameReader().feed(b"".join(wires()))
    assert [(one.name, one.fields, one.tail) for one in received] == list(EXAMPLES)


@pytest.mark.parametrize("load", [budget.SMALL, budget.LARGE], ids=["small", "large"])
def test_the_line_carries_the_samples_with_room_to_spare(load: budget.Load) -> None:
    assert load.used_share < 0.5
    assert load.send_s < load.block_s  # a block is out before the next is full


def test_the_small_rig_has_room_in_2_kb() -> None:
    assert sum(budget.small_memory().values()) < 2048 * 0.75


def test_frame_lengths_are_those_of_real_frames() -> None:
    frames = dict(zip((name for name, _, _ in EXAMPLES), wires(), strict=True))
    assert len(frames["HEARTBEAT"]) == budget.frame_bytes("HEARTBEAT")
    assert len(frames["FLICK"]) == budget.frame_bytes("FLICK")
    assert len(frames["SAMPLES"]) == budget.frame_bytes("SAMPLES", 2)


def wires() -> list[bytes]:
    """The frames in the last column of the worked examples."""
    return [bytes.fromhex(wire) for wire in re.findall(r"\| `([0-9a-f ]+)` \|$", page(), flags=re.M)]
