"""Every message of the rig link, in one table. docs/rig-link.md is generated from it, and the codec reads it.

A message is a type byte followed by little-endian fields. On the wire it stands in a frame: COBS(type, fields, CRC-16 high byte first)
and a zero byte (rigs.link.frames). Nothing else is sent. A frame carries at most 240 bytes of fields, so a rig needs one receive and one
send buffer of 256 bytes each.
"""

from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Final

PROTOCOL_VERSION: Final = 1
FIELDS_MAX_BYTES: Final = 240
NO_SAMPLE: Final = 0xFFFFFFFF

HEARTBEAT_PERIOD_S: Final = 0.05  # host to rig; four may be lost before the dead-man
STATUS_PERIOD_S: Final = 0.05  # rig to host
DEAD_MAN_S: Final = 0.2  # no valid heartbeat for so long while energised: rest, latched fault DEAD_MAN
ENERGISED_MAX_S: Final = 0.5  # of one command; then rest, latched fault ENERGISED_TOO_LONG
SILENCE_S: Final = 0.3  # host: six status frames missing is a lost link
ANGLE_MAX_DECIDEG: Final = 600  # either side of home; the rig refuses and also clamps
JOG_SPEED_MAX_DECIDEG_S: Final = 600  # the jog is slow; so is one step
JOG_STEP_MAX_DECIDEG: Final = 50  # of one step, from where the finger is
HOLD_MS: Final = (30, 200)  # least and most of a FLICK; else TIME_RANGE
FREE_MS: Final = (50, 300)
CODE_MAX: Final = 4095  # of a sample, 12 bits
BLOCK_MAX_SAMPLES: Final = 75
TICKS_PER_SAMPLE_MIN: Final = 4  # so that the tick of a block exposes one lost sample


class Inputs(IntFlag):
    CLAMP_CLOSED = 1
    GUARD_CLOSED = 2
    STOP_GOOD = 4
    START_DOWN = 8
    UNIT_POWER_GOOD = 16


class State(IntEnum):
    IDLE = 0  # de-energised, finger home
    MOVING = 1  # energised
    FAULT = 2  # de-energised, a fault is latched until RESET


class FaultCode(IntEnum):
    NONE = 0
    STOP = 1  # emergency stop chain opened
    GUARD = 2  # guard opened while moving or sampling
    CLAMP = 3  # clamp opened while moving or sampling
    DEAD_MAN = 4
    ENERGISED_TOO_LONG = 5
    WATCHDOG = 6  # the firmware hung and was reset
    STOP_DISCREPANCY = 7  # the two channels of the stop disagree
    SUPPLY = 8  # the unit's supply left its range
    OVERRUN = 9  # samples could not be sent in time


class Refusal(IntEnum):
    ACCEPTED = 0
    UNKNOWN_COMMAND = 1
    NO_HANDSHAKE = 2
    BUSY = 3
    FAULT_LATCHED = 4
    CLAMP_OPEN = 5
    GUARD_OPEN = 6
    STOP_OPEN = 7
    ANGLE_RANGE = 8
    TIME_RANGE = 9
    WRONG_RUN = 10
    NOT_AT_REST = 11
    CAUSE_PRESENT = 12


class Outcome(IntEnum):
    DONE = 0
    HALTED = 1  # REST came while it was being carried out
    FAULTED = 2  # a fault ended it


class Group(IntEnum):
    X_PLUS = 0
    X_MINUS = 1
    Y_PLUS = 2
    Y_MINUS = 3


class LampCode(IntEnum):
    OFF = 0
    BUSY = 1
    PASS = 2
    FAIL = 3
    ATTENTION = 4


class Reference(IntEnum):
    """What the converter looks at when it is checked (READ_LEVEL).

    The four levels come from a precision reference that is not the converter's own, by precision dividers: REFERENCE_SHARES of the full
    scale that IDENTITY names. None lies at an end of the converter, where an error would be cut off.
    """

    UNIT_SUPPLY = 0
    LOW = 1
    HALF = 2
    FULL = 3
    HALF_SOURCE = 4  # HALF behind a precision resistor of SOURCE_OHM, so that the load of the converter's input shows


REFERENCE_SHARES: Final = {Reference.LOW: 1 / 16, Reference.HALF: 1 / 2, Reference.FULL: 15 / 16, Reference.HALF_SOURCE: 1 / 2}
SOURCE_OHM: Final = 10_000  # the source resistance of a wiper is at most a quarter of its track; a usual track has 10 kilohm


ENUMS: Final[dict[str, type[IntEnum] | type[IntFlag]]] = {
    kind.__name__: kind for kind in (Inputs, State, FaultCode, Refusal, Outcome, Group, LampCode, Reference)
}
FLAG: Final = "0 or 1"


@dataclass(frozen=True, slots=True)
class Field:
    """One field: struct code without byte order (B H I h i, or Ns for N bytes of ASCII padded with zeros), unit, meaning.

    unit: SI unit, FLAG, or the name of one of ENUMS: then no value outside it is valid.
    """

    name: str
    code: str
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Message:
    """One line of the table. tail: meaning of the variable bytes after the fields, "" when there are none.

    tail_unit, tail_max: the tail is 1 to tail_max pieces of tail_unit bytes. lasting: so many first fields keep their place in every
    version of the protocol, so that two versions can name each other.
    """

    code: int
    name: str
    sender: str  # "host" or "rig"
    meaning: str
    fields: tuple[Field, ...]
    tail: str = ""
    tail_unit: int = 0
    tail_max: int = 0
    lasting: int = 0


_COMMAND = Field(
    "command",
    "H",
    "",
    "number of the command, counts up from 1 after HELLO and wraps; the same number again is answered again and never done twice, "
    "an older one is ignored",
)
_RUN = Field("run", "I", "", "run number; 0 outside a run")
_STICK = Field("stick", "B", "", "index of the stick, 0 where the unit has one")
_GROUP = Field("group", "B", "Group", "side the stick is pushed to")

HOST_MESSAGES: Final = (
    Message(
        0x01,
        "HELLO",
        "host",
        "Begins a dialogue. The rig goes to rest, ends the sample stream, forgets earlier command numbers and answers IDENTITY, whatever "
        "the version. No command is accepted before a HELLO of the rig's own version.",
        (Field("protocol", "B", "", "version the host speaks"), Field("nonce", "I", "", "any number; comes back in IDENTITY")),
        lasting=2,
    ),
    Message(
        0x02,
        "HEARTBEAT",
        "host",
        "Proof that the sequencing loop turns; sent by that loop alone. Feeds the dead-man.",
        (Field("counter", "H", "", "counts up, wraps"),),
    ),
    Message(
        0x10,
        "SAMPLE",
        "host",
        "Begins (on = 1) or ends (on = 0) the sample stream of one stick in a run. Sample numbers begin at 0 each time. At the end the "
        "last block is sent before DONE, and DONE names the first and the last sample of the whole stream.",
        (_COMMAND, _RUN, _STICK, Field("on", "B", FLAG, "1 begin, 0 end")),
    ),
    Message(
        0x11,
        "FLICK",
        "host",
        "One flick carried out by the rig alone with its own timing: push to full deflection, hold, let go, stay clear, return home. "
        "Accepted only with clamp and guard closed, stop good, no fault, and the run number of the sample stream.",
        (
            _COMMAND,
            _RUN,
            _STICK,
            _GROUP,
            Field("hold_ms", "H", "ms", "time at full deflection, 30 to 200"),
            Field("free_ms", "H", "ms", "time clear of the stick after the release, 50 to 300"),
        ),
    ),
    Message(
        0x12,
        "JOG",
        "host",
        "One slow step of the finger, for calibration. Done when the angle is reached; there the finger stays, energised, until the next "
        "JOG or REST, at most 500 ms after the step began (then ENERGISED_TOO_LONG): it must be renewed step by step. A step to angle 0 "
        "ends de-energised, at rest. Speed and step are limited by the rig. Accepted as FLICK is, but with or without a sample stream.",
        (
            _COMMAND,
            _STICK,
            _GROUP,
            Field("angle", "h", "0.1 deg", "target from home along the group's direction, -600 to 600; at most 50 from the last one"),
            Field("speed", "H", "0.1 deg/s", "1 to 600"),
        ),
    ),
    Message(
        0x13, "UNCLAMP", "host", "Opens the clamp. Refused unless the finger is home and de-energised and the stick is free.", (_COMMAND,)
    ),
    Message(
        0x14,
        "READ_LEVEL",
        "host",
        "Measures a level with the converter, as the mean of many conversions; DONE.value is in microvolts. LOW, HALF and FULL come from a "
        "precision reference that is not the converter's own: 1/16, 1/2 and 15/16 of reference_uv. HALF_SOURCE is HALF behind a precision "
        "resistor of 10 kilohm, which the converter's input loads.",
        (_COMMAND, Field("what", "B", "Reference", "unit supply, or a level of the precision reference")),
    ),
    Message(0x15, "LAMP", "host", "Sets the lamp.", (_COMMAND, Field("lamp", "B", "LampCode", "what it shows"))),
    Message(0x16, "REST", "host", "Finger home, de-energised, at once; ends any command (DONE as HALTED). Always accepted.", (_COMMAND,)),
    Message(
        0x17,
        "RESET",
        "host",
        "Clears the latched fault if its cause is gone. Moves nothing; motion needs a new command, and the station a new start.",
        (_COMMAND,),
    ),
)

RIG_MESSAGES: Final = (
    Message(
        0x81,
        "IDENTITY",
        "rig",
        "Answer to HELLO, and to nothing else.",
        (
            Field("protocol", "B", "", "version the rig speaks"),
            Field("nonce", "I", "", "from HELLO"),
            Field("rig_id", "16s", "", "name burnt into the rig"),
            Field("firmware", "16s", "", "version of the firmware"),
            Field("boot", "I", "", "counts the rig's starts"),
            Field("tick_hz", "I", "Hz", "of the rig clock, at least 4 times the sample rate"),
            Field("sample_rate", "I", "Hz", "samples per second and axis"),
            Field("bits", "B", "", "of the converter, 8 to 12"),
            Field("reference_uv", "I", "uV", "full scale of the converter"),
            Field("emulated", "B", FLAG, "1 when no metal moves"),
        ),
        lasting=2,
    ),
    Message(
        0x82,
        "STATUS",
        "rig",
        "Every 50 ms from power-up on, also before HELLO, and at every change of state or input. Edge counters wrap and miss nothing, "
        "however short.",
        (
            Field("tick", "I", "ticks", "rig clock, wraps"),
            Field("boot", "I", "", "as in IDENTITY"),
            Field("state", "B", "State", "what the rig does"),
            Field("fault", "B", "FaultCode", "latched fault"),
            Field("energised", "B", FLAG, "1 while the finger has torque"),
            Field("inputs", "B", "Inputs", "input bits"),
            Field("start_presses", "B", "", "rising edges of the start button"),
            Field("guard_openings", "B", "", "openings of the guard"),
            Field("stop_events", "B", "", "openings of the stop chain"),
            Field("clamp_openings", "B", "", "openings of the clamp"),
            Field("run", "I", "", "run of the sample stream, 0 when none"),
            Field("samples", "I", "", "samples taken in that run so far"),
            Field("heartbeat", "H", "", "counter of the last HEARTBEAT"),
        ),
    ),
    Message(
        0x83,
        "ACK",
        "rig",
        "Immediate answer to a numbered command, also to one sent again. A refused command has no DONE.",
        (_COMMAND, Field("refusal", "B", "Refusal", "0 accepted, else why not")),
    ),
    Message(
        0x84,
        "DONE",
        "rig",
        "The command has been carried out. Sent again when the command is sent again.",
        (
            _COMMAND,
            Field("outcome", "B", "Outcome", "how it ended"),
            Field("begin", "I", "ticks", "rig clock at its beginning"),
            Field("end", "I", "ticks", "rig clock at its end"),
            Field("first_sample", "I", "", "first sample taken at or after its beginning; 0xFFFFFFFF when not sampling"),
            Field("last_sample", "I", "", "last sample taken before its end; 0xFFFFFFFF when not sampling"),
            Field("value", "i", "", "of READ_LEVEL: microvolts; else 0"),
        ),
    ),
    Message(
        0x85,
        "SAMPLES",
        "rig",
        "A block of samples of both axes of one stick, taken at equal steps of the rig clock.",
        (
            _RUN,
            Field("first", "I", "", "number of the block's first sample in the run"),
            Field("tick", "I", "ticks", "rig clock at that sample"),
            _STICK,
        ),
        tail="three bytes a sample: x in bits 0 to 11, y in bits 12 to 23, little-endian; 1 to 75 samples",
        tail_unit=3,
        tail_max=BLOCK_MAX_SAMPLES,
    ),
    Message(
        0x86,
        "FAULT",
        "rig",
        "A fault has latched; the finger is at rest. STATUS repeats it until RESET.",
        (
            Field("fault", "B", "FaultCode", "which"),
            Field("tick", "I", "ticks", "when"),
            Field("detail", "I", "", "by fault; ms over the limit, or 0"),
        ),
    ),
)

MESSAGES: Final = HOST_MESSAGES + RIG_MESSAGES
