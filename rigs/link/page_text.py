"""The prose of docs/rig-link.md; what follows from the table is made by rigs.link.page."""

from typing import Final

INTRODUCTION: Final = """# The rig link

<!-- Written by `python -m rigs.link.page` from rigs/link/messages.py; change that, not this. -->

How a station (the host) and a rig talk. Version {version}. Any stream of bytes will do: a UART, USB, a pty, a TCP connection. Numbers
are little-endian. The rig holds all that must not wait for a host: the flick's timing, the dead-man, the limits, the inputs.

The emergency stop and the guard cut the actuator's power in hardware (ISO 13850). Nothing on this page is a safety-rated function;
the link only learns of the stop.
"""

FRAMES: Final = """## Frames

1. The payload is the type byte, the fields in the order of the table, and the tail where there is one.
2. The CRC-16 of the payload is appended, **high byte first**: polynomial 0x1021, initial value 0xFFFF, not reflected, no final xor;
   its check value for the nine characters `123456789` is 0x29B1. The CRC over payload and CRC is 0.
3. The whole is encoded by COBS (Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999), so that no byte of it is zero,
   and a zero byte follows.

A frame is at most 245 bytes long with its zero. A receiver gathers bytes up to a zero; what is longer than 244 bytes before the zero
is dropped up to the zero. Two zeros in a row are legal and mean nothing: a side that cannot know what the other has half heard sends
a zero first. After noise the first frame that follows a zero byte is read again.

A frame is **bad**, counted and otherwise ignored, when COBS or CRC do not hold, the type is unknown or belongs to the other sender,
the length is not that of the table, a value lies outside its enumeration, a "0 or 1" is neither, or a text is not printable ASCII
padded by zeros. HELLO and IDENTITY are the exception: their first two fields keep their place in every version, so that two versions
can name each other; a HELLO or IDENTITY of another version may have any length beyond them.
"""

COMMANDS: Final = """## Dialogue

* **Opening.** Opening the port may reset the rig. The host sends a zero, then HELLO, again every 250 ms and at most twelve times,
  until an IDENTITY with its nonce comes. It commands nothing before it has checked protocol version and rig id.
* **Boot number.** Every STATUS carries it. Another boot number than that of IDENTITY means that the rig has restarted: the host gives
  up what it was doing and begins again with HELLO.
* **Commands** are the host's messages with a `command` number. The rig answers each with ACK at once, and an accepted one with DONE
  when it has been carried out. The host sends the same number again when no answer came; the rig then answers again, ACK and, if it
  is over, DONE, and never does it twice. It must remember the last command and its answer, and REST beside it. A number that is older
  than the last one (serial number arithmetic, RFC 1982) is ignored. A refused command has used up its number too.
* One command at a time: any but REST is refused as BUSY while another is carried out.
* **Heartbeats go both ways.** The host's loop sends HEARTBEAT, never a helper beside it, and never while it waits for REST to be
  confirmed. The rig's STATUS names the newest heartbeat it heard, so the host knows that it is heard.
* **Samples** are numbered from 0 in each stream. A block names its run, its stick, its first sample and the rig clock at that sample.
  A lost block is not sent again: the run is then invalid. A block may carry fewer samples than 75, and the last one of a stream does.
* **Ticks** are of the rig's own clock, 32 bits, and wrap; the host unwraps them. At least four ticks to a sample.
"""

STATES: Final = """## States of the rig

{states}; beside them a sample stream is on or off, and a handshake has been made or not. The finger is energised in MOVING only. At
rest means: finger clear of the stick and de-energised.
"""

TRANSITIONS: Final = (
    ("-", "power-up", "IDLE", "is at rest, counts its boot number up, sends STATUS; refuses commands but REST with NO_HANDSHAKE"),
    ("any", "HELLO", "IDLE, or FAULT as before", "goes to rest, ends the stream, forgets command numbers, answers IDENTITY"),
    ("IDLE", "FLICK or JOG accepted", "MOVING", "energises the finger"),
    ("MOVING", "the flick is over", "IDLE", "is at rest, sends DONE"),
    ("MOVING", "the jog's angle is reached", "MOVING", "sends DONE, holds the angle until the next JOG or REST"),
    ("any", "REST", "IDLE, or FAULT as before", "goes to rest; DONE as HALTED for the command that was under way, then DONE for REST"),
    ("any", "the stop chain opens, however short", "FAULT: STOP", "is at rest: the hardware has cut the power"),
    ("any", "the two channels of the stop disagree", "FAULT: STOP_DISCREPANCY", "goes to rest"),
    ("MOVING or sampling", "the guard opens", "FAULT: GUARD", "is at rest: the hardware has cut the power"),
    ("MOVING or sampling", "the clamp opens", "FAULT: CLAMP", "goes to rest"),
    ("MOVING", "no HEARTBEAT for the dead-man's time", "FAULT: DEAD_MAN", "goes to rest"),
    ("MOVING", "energised for longer than one command may be", "FAULT: ENERGISED_TOO_LONG", "goes to rest"),
    ("sampling", "the unit's supply leaves its range", "FAULT: SUPPLY", "goes to rest"),
    ("sampling", "a block cannot be sent before the next is full", "FAULT: OVERRUN", "goes to rest"),
    ("any", "the firmware hangs and its watchdog resets it", "FAULT: WATCHDOG", "is at rest, counts its boot number up"),
    ("FAULT", "RESET, the cause is gone", "IDLE", "sends DONE; nothing moves"),
    ("FAULT", "RESET, the cause is still there", "FAULT", "refuses with CAUSE_PRESENT"),
)

SAFETY: Final = """\
A fault that latches ends the command under way (DONE as FAULTED), is told by FAULT and STATUS, and stays until RESET. Motion then
needs a new command, and the station a new start by a person.

Three layers bring the finger to rest, each without the others: the hardware chain of stop and guard; the rig's dead-man, its limit of
energised time and its clamp on every angle; the host's REST on every way out of a run. Cutting the host's cable, killing the host or
hanging it therefore ends in rest within the dead-man's time and the time the finger needs, 250 ms together.

What the rig limits it limits twice: a command beyond the limits is refused, and the angle that goes to the actuator is clamped
whatever asked for it.
"""

LIMITS: Final = """\
The hold of a FLICK is the time at full deflection; where full deflection is, how fast the finger goes there and how it lets go are
the rig's own and part of its calibration. Energised time adds up over one command. A JOG that would take longer than the energised
time allows is refused with TIME_RANGE, one beyond the angle, the step or the speed with ANGLE_RANGE.
"""

BUDGET: Final = """## What it asks of a microcontroller

Two examples: a small controller with 2 kB of RAM and a 10-bit converter on a UART at 500 kbaud (8N1: ten bits a byte, 50 000 B/s),
and a larger one on USB full speed. A converter that needs 13 clock cycles at 125 kHz makes 9 615 conversions a second, that is 4.8
kS/s for each of two axes (common practice, no source). A code of fewer than 12 bits is sent as it is, in the low bits.
"""

PROVING: Final = """## Proving a rig

Every rig must do the duties in tests/rigs/conformance.py. A new one is put through them at the bench, a unit clamped and a person at
its inputs, by `python -m tests.rigs.conformance PORT RIG_ID`. The finger moves: guard closed, hands out, emergency stop within reach;
local rules and the qualified person on the spot decide whether it may be done.
"""
