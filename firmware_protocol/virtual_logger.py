"""A logger's end of the protocol as a pure state machine: what firmware does, without the hardware.

Whoever owns it feeds commands with `receive`, samples with `sample`, and carries `outgoing` to the host.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from firmware_protocol.codec import encode
from firmware_protocol.counters import unwrap
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import MessageReader
from firmware_protocol.messages import (
    COMMAND_TYPES,
    Answer,
    Channel,
    Command,
    Describe,
    Identify,
    Identity,
    Reply,
    Resend,
    Samples,
    Start,
    Stop,
    UnknownCommand,
)
from firmware_protocol.sample_ring import SampleRing
from firmware_protocol.states import LOGGER_MOVES, LoggerState, LoggerStep
from firmware_protocol.wire import Status

if TYPE_CHECKING:
    from collections.abc import Sequence

_WRAP: Final = 1 << 32
_MOST_ANSWERS_WAITING: Final = 16


@dataclass(slots=True)
class _Resending:
    """The one resend under way: its command, the samples wanted, and the message that comes next."""

    command: Resend
    first_index: int
    end_index: int
    next_number: int


class VirtualLogger:
    """Answers commands and streams samples from its ring of `identity.ring_samples` samples.

    What the wire does not take in time overruns the ring: the oldest samples are dropped, and the host sees
    the sample index jump. A logger that keeps nothing to send again still needs a buffer for what waits to be
    sent: `unsent_samples`.
    """

    def __init__(self, identity: Identity, channels: Sequence[Channel], unsent_samples: int = 0) -> None:
        self.identity = identity
        self.channels = tuple(channels)
        self.state = LoggerState.IDLE
        self._capacity = max(identity.ring_samples, unsent_samples)
        self._power_up()

    @property
    def dropped_samples(self) -> int:
        """Samples that the wire did not take in time."""
        return self._ring.dropped_unsent

    def restart(self, boot_id: int) -> None:
        """Lose power and start anew: idle, the index from 0, nothing kept, nothing waiting."""
        self.identity = replace(self.identity, boot_id=boot_id)
        self.state = LoggerState.IDLE
        self._power_up()

    def _power_up(self) -> None:
        self._reader = MessageReader()
        self._ring = SampleRing(self._capacity)
        self._answers: deque[tuple[Answer, int]] = deque()
        self._resending: _Resending | None = None
        self._live_next = True
        self._partly_sent = b""
        self._next_index = 0
        self._stream_start = 0

    def sample(self, tick_us: int, count: int, rows: bytes) -> None:
        """Take the next `count` samples, the first at `tick_us`; they are kept and sent while streaming."""
        first = self._next_index
        self._next_index += count
        if self.state is LoggerState.STREAMING:
            tag = self.identity.boot_id & 0xFF
            self._ring.append(first, Samples(tag, first % _WRAP, tick_us % _WRAP, count, rows))

    def receive(self, received: bytes) -> None:
        """Obey the commands in `received`; what is damaged is ignored, the host asks again."""
        for message in self._reader.receive(received):
            if isinstance(message, Command | UnknownCommand):
                self._obey(message)

    def outgoing(self, limit: int) -> bytes:
        """Return at most `limit` bytes for the wire; what is left waits for the next call."""
        taken = bytearray(self._partly_sent)
        while len(taken) < limit:
            message = self._next_message()
            if message is None:
                break
            taken += encode_frame(encode(message))
        self._partly_sent = bytes(taken[limit:])
        return bytes(taken[:limit])

    def _next_message(self) -> Answer | None:
        """Return what goes out next: answers that are due, then live and resent samples in turn."""
        if self._answers and self._ring.unsent >= self._answers[0][1]:
            return self._answers.popleft()[0]
        self._live_next = not self._live_next
        if self._live_next:
            return self._ring.take_unsent() or self._next_resent()
        return self._next_resent() or self._ring.take_unsent()

    def _next_resent(self) -> Answer | None:
        """Return the next message of the resend under way, behind the last of them its answer."""
        wanted = self._resending
        if wanted is None:
            return None
        found = self._ring.from_number(wanted.next_number)
        if found is not None and found[1].first_index < wanted.end_index:
            wanted.next_number = found[0] + 1
            return found[1].message
        self._resending = None
        return self._reply(wanted.command, Status.DONE, self._first_kept(wanted.first_index))

    def _first_kept(self, first_index: int) -> int:
        """Return the first sample from `first_index` on that is still there, or is yet to be sent."""
        found = self._ring.from_number(self._ring.number_at(first_index))
        if found is not None:
            return max(first_index, found[1].first_index)
        return max(first_index, self._ring.first_unsent_index(self._next_index))

    def _obey(self, command: Command | UnknownCommand) -> None:
        match command:
            case Identify():
                self._answer(replace(self.identity, command_id=command.command_id))
            case Describe() if command.channel < len(self.channels):
                self._answer(replace(self.channels[command.channel], command_id=command.command_id))
            case Describe():
                self._answer(self._reply(command, Status.BAD_ARGUMENT, 0))
            case Start():
                if self.state is LoggerState.IDLE:
                    self._stream_start = self._next_index
                self.state = LOGGER_MOVES[self.state, LoggerStep.START]
                self._answer(self._reply(command, Status.DONE, self._stream_start))
            case Stop():
                self.state = LOGGER_MOVES[self.state, LoggerStep.STOP]
                self._resending = None
                self._answer(self._reply(command, Status.DONE, self._next_index), behind=self._ring.end)
            case Resend():
                self._resend(command)
            case UnknownCommand():
                self._answer(Reply(command.command_id, command.command, Status.UNKNOWN_COMMAND, 0))

    def _resend(self, command: Resend) -> None:
        if self.identity.ring_samples == 0 or command.count == 0:
            refused = Status.BAD_ARGUMENT if command.count == 0 else Status.NOT_SUPPORTED
            self._answer(self._reply(command, refused, 0))
            return
        first = unwrap(command.first_index, self._next_index)
        number = self._ring.number_at(first)
        self._resending = _Resending(command, first, first + command.count, number)
        self._live_next = True  # in turn, a resent message first

    def _answer(self, answer: Answer, behind: int = 0) -> None:
        """Send `answer` when the live messages before the number `behind` have been sent."""
        if len(self._answers) < _MOST_ANSWERS_WAITING:
            self._answers.append((answer, behind))

    def _reply(self, command: Command, status: Status, index: int) -> Reply:
        return Reply(command.command_id, COMMAND_TYPES[type(command)], status, index % _WRAP)
