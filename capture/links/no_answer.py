"""Why a conversation with a logger failed, in the user's words: one place for all who open one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.errors import LinkLost, LoggerRefused, NotALogger
from firmware_protocol.errors import CommandRefused, NoReply, VersionMismatch

if TYPE_CHECKING:
    from capture.errors import LinkError
    from firmware_protocol.errors import RemoteProtocolError


def explained(error: RemoteProtocolError, where: str, *, received_bytes: int, good_frames: int) -> LinkError:
    """Return what `error` means for the person at the rig.

    `received_bytes` and `good_frames` have come on the link at `where` so far: silence, another language and
    a logger that fell silent are three different things.
    """
    match error:
        case VersionMismatch():
            return NotALogger(
                str(error), where, "Update sagline or the logger's firmware so that both speak the same."
            )
        case NoReply() if good_frames == 0 and received_bytes == 0:
            return NotALogger(
                "nothing answers",
                where,
                "Check that the logger has power and its firmware runs, and that this is its port.",
            )
        case NoReply() if good_frames == 0:
            return NotALogger(
                f"{received_bytes} bytes came and none of them is a frame of the logger protocol",
                where,
                "Check the speed (?baud=...), and that this port is the logger's.",
            )
        case CommandRefused():
            return LoggerRefused(str(error), where, "Check the logger's firmware.")
        case _:
            return LinkLost(str(error), where, "Check the cable and the logger, then connect again.")
