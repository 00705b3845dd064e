"""The conversation with one logger: link, reader thread and host side of the protocol, in turns."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.engine.reader import Reader
from capture.errors import LinkError, LinkLost
from capture.links.no_answer import explained
from firmware_protocol.framing import FrameRejected
from firmware_protocol.host_link import Event, Failed, HostLink, Stopped
from firmware_protocol.states import HostState

if TYPE_CHECKING:
    from capture.links.address import Link
    from capture.path import LoggerDescription

QUIETING_LIMIT_S: Final = 0.5
MOST_COMMAND_IDS: Final = 255
IDS_BETWEEN_OPENINGS: Final = 64


@dataclass(frozen=True, slots=True)
class Turn:
    """What one turn brought: bytes in with the host's time, bytes out, and the events they made.

    `pending` are the bytes of the frame that had begun before; `failure` says why there is no further turn,
    and what came before it in the same bytes counts all the same.
    """

    host_ns: int
    received: bytes
    sent: bytes
    events: list[Event]
    pending: bytes = b""
    failure: LinkError | None = None


class Conversation:
    """Opens a link, carries bytes between it and the protocol, and words what goes wrong."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.host = HostLink()
        self._reader: Reader | None = None
        self._received_bytes = 0
        self._good_frames = 0
        self._opened = 0

    def open(self, known: LoggerDescription | None = None) -> bytes:
        """Open the link and ask the logger who it is; return the bytes sent; raises LinkError.

        A logger that is `known` and has not restarted since goes on without describing itself again.
        """
        self.link.open()
        self._reader = Reader(self.link)
        # an answer to an earlier opening must not pass for one of ours: each begins its ids elsewhere
        self.host = HostLink(first_command_id=1 + self._opened * IDS_BETWEEN_OPENINGS % MOST_COMMAND_IDS)
        self._opened += 1
        self._received_bytes = self._good_frames = 0
        if known is None:
            self.host.open(time.monotonic())
        else:
            self.host.open(time.monotonic(), known.identity, known.channels)
        return self._send()

    @property
    def is_open(self) -> bool:
        """Whether there is a link to take turns on."""
        return self._reader is not None

    def turn(self, timeout_s: float) -> Turn:
        """Wait for bytes, at most `timeout_s`, and handle them; raises LinkError when none can come."""
        if self._reader is None:
            raise LinkLost("is not open", self.link.address, "Connect again.")
        taken = self._reader.take(timeout_s)
        host_ns, received = taken or (time.time_ns(), b"")
        now, pending = time.monotonic(), self.host.pending
        events = self.host.receive(received, now) if received else []
        events += self.host.expire(now)
        self._received_bytes += len(received)
        self._good_frames += sum(not isinstance(event, FrameRejected | Failed) for event in events)
        failed = next((event for event in events if isinstance(event, Failed)), None)
        if failed is not None:
            failure = explained(
                failed.error,
                self.link.address,
                received_bytes=self._received_bytes,
                good_frames=self._good_frames,
            )
            return Turn(host_ns, received, b"", events, pending, failure)
        try:
            sent = self._send()
        except LinkError as error:
            return Turn(host_ns, received, b"", events, pending, error)
        return Turn(host_ns, received, sent, events, pending)

    def start(self) -> bytes:
        """Ask for samples; return the bytes sent."""
        self.host.start(time.monotonic())
        return self._send()

    def resend(self, first_index: int, count: int) -> bytes:
        """Ask for samples again; return the bytes sent."""
        self.host.resend(first_index, count, time.monotonic())
        return self._send()

    def close(self) -> None:
        """Stop the stream if it runs, waiting for at most half a second, and let go of the link."""
        try:
            self._quiet()
        except LinkError:
            pass  # it went away: nothing is left to stop
        finally:
            self.let_go()

    def let_go(self) -> None:
        """Let go of the link and leave the logger as it is: its stream may run on."""
        if self._reader is not None:
            self._reader.close()
            self._reader = None
        self.link.close()

    def _quiet(self) -> None:
        if self.host.state is not HostState.STREAMING:
            return
        self.host.stop(time.monotonic())
        self._send()
        give_up = time.monotonic() + QUIETING_LIMIT_S
        while time.monotonic() < give_up:
            turn = self.turn(QUIETING_LIMIT_S / 10)
            if turn.failure is not None or any(isinstance(event, Stopped) for event in turn.events):
                return

    def _send(self) -> bytes:
        sent = self.host.outgoing()
        if sent:
            self.link.write(sent)
        return sent
