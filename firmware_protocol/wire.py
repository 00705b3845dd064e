"""The numbers of the wire: message types, limits and codes. Each is a row of a table in SPEC.md."""

from __future__ import annotations

from enum import IntEnum
from typing import Final

PROTOCOL_VERSION: Final = 1

# SPEC 2, framing
FRAME_END: Final = 0x00
MAX_DECODED_BYTES: Final = 240
CRC_BYTES: Final = 2
MAX_PAYLOAD_BYTES: Final = MAX_DECODED_BYTES - CRC_BYTES
MAX_WIRE_BYTES: Final = MAX_DECODED_BYTES + 2  # one code byte, one zero
CRC_INITIAL: Final = 0xFFFF

# SPEC 3, fields
MAX_NAME_BYTES: Final = 32
MAX_FIRMWARE_BYTES: Final = 24
MAX_QUANTITY_BYTES: Final = 24
MAX_UNIT_BYTES: Final = 8
MAX_SENSE_BYTES: Final = 24
MAX_DECIMAL_EXPONENT: Final = 18
MAX_CHANNELS: Final = 32

# SPEC 5, timing
REPLY_TIMEOUT_S: Final = 0.4
IDENTIFY_ATTEMPTS: Final = 15
COMMAND_ATTEMPTS: Final = 8

# SPEC 6, resending
MAX_RESEND_SAMPLES: Final = 1024


class MessageType(IntEnum):
    """First byte of every payload (SPEC 4)."""

    IDENTIFY = 0x01
    DESCRIBE = 0x02
    START = 0x03
    STOP = 0x04
    RESEND = 0x05
    IDENTITY = 0x81
    CHANNEL = 0x82
    REPLY = 0x83
    SAMPLES = 0x84


class Status(IntEnum):
    """How a logger answers a command (SPEC 4.8)."""

    DONE = 0
    UNKNOWN_COMMAND = 1
    NOT_SUPPORTED = 2
    BAD_ARGUMENT = 3


class Statistic(IntEnum):
    """What one reading of a channel stands for (SPEC 4.7)."""

    INSTANTANEOUS = 0
    MEAN = 1
    MINIMUM = 2
    MAXIMUM = 3


class WireType(IntEnum):
    """How one reading is laid down in a row (SPEC 4.9). All are little-endian."""

    I16 = 0
    U16 = 1
    I24 = 2
    I32 = 3
    U32 = 4
    F32 = 5


WIRE_TYPE_BYTES: Final = {
    WireType.I16: 2,
    WireType.U16: 2,
    WireType.I24: 3,
    WireType.I32: 4,
    WireType.U32: 4,
    WireType.F32: 4,
}

#: The code that stands for "no reading" in each integer type; in F32 it is any NaN or infinity (SPEC 4.9).
MISSING_CODE: Final = {
    WireType.I16: -(2**15),
    WireType.U16: 2**16 - 1,
    WireType.I24: -(2**23),
    WireType.I32: -(2**31),
    WireType.U32: 2**32 - 1,
}
