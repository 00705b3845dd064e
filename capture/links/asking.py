"""Asking a logger who it is: the opening of a conversation, bounded in time and in bytes.

Who are you, be quiet, what are your channels: it is never told to start.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from capture.links.no_answer import explained
from firmware_protocol.errors import NoReply
from firmware_protocol.framing import FrameRejected
from firmware_protocol.host_link import Described, Failed, HostLink

if TYPE_CHECKING:
    import threading

    from capture.errors import LinkError
    from capture.links.address import Link
    from firmware_protocol.errors import RemoteProtocolError

#: What a logger that was left streaming can send while it is asked, and little more.
MOST_BYTES: Final = 1 << 19


def described(link: Link, within_s: float, stop: threading.Event) -> Described:
    """Return what the logger on an open link says of itself, within `within_s`, or until `stop` is set.

    Raises LinkError with the reason where nobody does, or not as our protocol wants it.
    """
    host = HostLink()
    received_bytes = good_frames = 0
    give_up = time.monotonic() + within_s
    host.open(time.monotonic())
    while time.monotonic() < give_up and received_bytes < MOST_BYTES and not stop.is_set():
        if outgoing := host.outgoing():
            link.write(outgoing)
        received = link.read()
        received_bytes += len(received)
        now = time.monotonic()
        for event in host.receive(received, now) + host.expire(now):
            match event:
                case Described():
                    return event
                case Failed():
                    raise _failure(event.error, link, received_bytes, good_frames)
                case FrameRejected():
                    pass
                case _:
                    good_frames += 1
    silence = NoReply(f"the logger did not describe itself within {within_s:g} s")
    raise _failure(silence, link, received_bytes, good_frames)


def _failure(error: RemoteProtocolError, link: Link, received_bytes: int, good_frames: int) -> LinkError:
    return explained(error, link.address, received_bytes=received_bytes, good_frames=good_frames)
