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
from firmware_protocol.sample_ring import HeldSamples, SampleRing
from firmware_protocol.states import LOGGER_MOVES, LoggerState, LoggerStep
from firmware_protocol.wire import Status

if TYPE_CHECKING:
    from collections.abc import Sequence

_WRAP: Final = 1 << 32
_MOST_ANSWERS_WAITING: Final = 16


@dataclass(slots=True)
class _Resending:
    """The one resend under way: the messages numbered `next_number` up to `end_number` go out again."""

    command: Resend
    first_index: int
    next_number: int
    end_number: int


class VirtualLogger:
    """Answers commands, streams samples and sends the latest of them again from a ring.

    What the wire does not take in time overruns the ring: the oldest samples are dropped unsent, and the
    host sees the sample index jump. A logger whose identity promises no ring still buffers `unsent_samples`
    that wait for the wire, at the least one message.
    """

    def __init__(
        self, identity: Identity, channels: Sequence[Channel], *, unsent_samples: int | None = None
    ) -> None:
        self.identity = identity
        self.channels = tuple(channels)
        self._unsent_samples = unsent_samples or 0
        self._switch_on()

    def _switch_on(self) -> None:
        self.state = LoggerState.IDLE
        self.dropped_samples = 0
        ring_samples = self.identity.ring_samples
        self._ring = SampleRing(max(ring_samples, self._unsent_samples), keeps_sent=ring_samples > 0)
        self._reader = MessageReader()
        self._answers: deque[Answer] = deque()
        self._stopped: Reply | None = None  # the answer to STOP, until the last sample has gone
        self._resending: _Resending | None = None
        self._resent_last = False
        self._partly_sent = b""
        self._next_index = 0
        self._stream_start = 0
        self._stream_end = 0

    def restart(self, boot_id: int) -> None:
        """Switch it off and on: idle, index 0, an empty ring, everything that waited gone."""
        self.identity = replace(self.identity, boot_id=boot_id)
        self._switch_on()

    def lose_link(self) -> None:
        """Lose what is on its way in either direction, as when a cable is pulled; stream and ring go on.

        A serial logger does not notice: until the cable is back its owner goes on calling `outgoing` and
        throws the bytes away. They count as sent, so they can be asked for again from the ring.
        """
        self._reader = MessageReader()
        self._partly_sent = b""
        self._answers.clear()
        self._stopped = None
        self._resending = None

    def sample(self, tick_us: int, count: int, rows: bytes) -> None:
        """Take the next `count` samples, the first at `tick_us`; they are sent only while streaming."""
        first = self._next_index
        self._next_index += count
        if self.state is not LoggerState.STREAMING:
            return
        message = Samples(self.identity.boot_id & 0xFF, first % _WRAP, tick_us % _WRAP, count, rows)
        self.dropped_samples += self._ring.append(HeldSamples(first, self._next_index, message))

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
        """Return what goes on the wire next: answers first, then resent and live samples in turn."""
        if self._answers:
            return self._answers.popleft()
        if self._stopped is not None and self._all_sent(self._stream_end):
            stopped, self._stopped = self._stopped, None
            return stopped
        if self._resending is not None and not (self._resent_last and self._ring.unsent_index is not None):
            self._resent_last = True
            return self._resend_next(self._resending)
        self._resent_last = False
        return self._ring.take_unsent()

    def _resend_next(self, resending: _Resending) -> Answer:
        """Return the next message to send again, or behind the last of them the answer."""
        found = self._ring.sent_message(resending.next_number)
        if found is not None and found[0] < resending.end_number:
            number, message = found
            resending.next_number = number + 1
            return message
        self._resending = None
        index = self._ring.first_sent_index(resending.first_index)
        if index is None:
            index = self._next_unsent_index
        return _reply(resending.command, Status.DONE, index)

    @property
    def _next_unsent_index(self) -> int:
        """Index of the first sample that has not been sent live, taken or not."""
        unsent = self._ring.unsent_index
        return self._next_index if unsent is None else unsent

    def _all_sent(self, end_index: int) -> bool:
        """Whether no sample before `end_index` waits for the wire."""
        unsent = self._ring.unsent_index
        return unsent is None or unsent >= end_index

    def _obey(self, command: Command | UnknownCommand) -> None:
        match command:
            case Identify():
                self._answer(replace(self.identity, command_id=command.command_id))
            case Describe():
                if command.channel >= len(self.channels):
                    self._answer(_reply(command, Status.BAD_ARGUMENT, 0))
                else:
                    self._answer(replace(self.channels[command.channel], command_id=command.command_id))
            case Start():
                if self.state is LoggerState.IDLE:
                    self._stream_start = self._next_index
                self.state = LOGGER_MOVES[self.state, LoggerStep.START]
                self._answer(_reply(command, Status.DONE, self._stream_start))
            case Stop():
                self._stop(command)
            case Resend():
                self._resend(command)
            case UnknownCommand():
                self._answer(Reply(command.command_id, command.command, Status.UNKNOWN_COMMAND, 0))

    def _stop(self, command: Stop) -> None:
        if self.state is LoggerState.STREAMING:
            self._stream_end = self._next_index
        self.state = LOGGER_MOVES[self.state, LoggerStep.STOP]
        self._resending = None
        reply = _reply(command, Status.DONE, self._stream_end)
        if self._all_sent(self._stream_end):
            self._answer(reply)
        else:
            self._stopped = reply

    def _resend(self, command: Resend) -> None:
        if self.identity.ring_samples == 0:
            self._answer(_reply(command, Status.NOT_SUPPORTED, 0))
        elif command.count == 0:
            self._answer(_reply(command, Status.BAD_ARGUMENT, 0))
        elif self._resending is None or self._resending.command != command:
            first_index = unwrap(command.first_index, near=self._next_index)
            numbers = self._ring.sent_range(first_index, first_index + command.count)
            self._resending = _Resending(command, first_index, numbers.start, numbers.stop)

    def _answer(self, answer: Answer) -> None:
        """Let an answer wait for the wire; where there is no room it is left out, and the host asks again."""
        if len(self._answers) < _MOST_ANSWERS_WAITING:
            self._answers.append(answer)


def _reply(command: Command, status: Status, index: int) -> Reply:
    return Reply(command.command_id, COMMAND_TYPES[type(command)], status, index % _WRAP)
