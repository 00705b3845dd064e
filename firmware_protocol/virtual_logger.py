"""A logger's end of the protocol as a pure state machine: what firmware does, without the hardware.

Whoever owns it feeds commands with `receive`, samples with `sample`, and carries `outgoing` to the host.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from firmware_protocol.codec import encode
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
    Samples,
    Start,
    Stop,
    UnknownCommand,
)
from firmware_protocol.states import LOGGER_MOVES, LoggerState, LoggerStep
from firmware_protocol.wire import MessageType, Status

if TYPE_CHECKING:
    from collections.abc import Sequence

_WRAP: Final = 1 << 32
_MOST_ANSWERS_WAITING: Final = 16


class VirtualLogger:
    """Answers commands and streams samples from a buffer of bounded length.

    What the wire does not take in time overruns the buffer: the oldest samples are dropped, and the host
    sees the sample index jump.
    """

    def __init__(self, identity: Identity, channels: Sequence[Channel], buffer_samples: int) -> None:
        self.identity = identity
        self.channels = tuple(channels)
        self.state = LoggerState.IDLE
        self.dropped_samples = 0
        self._reader = MessageReader()
        self._buffer_samples = buffer_samples
        self._waiting: deque[Answer] = deque()
        self._waiting_samples = 0
        self._waiting_answers = 0
        self._partly_sent = b""
        self._next_index = 0
        self._stream_start = 0

    def sample(self, tick_us: int, count: int, rows: bytes) -> None:
        """Take the next `count` samples, the first at `tick_us`; they are sent only while streaming."""
        first = self._next_index
        self._next_index += count
        if self.state is not LoggerState.STREAMING:
            return
        self._waiting.append(
            Samples(self.identity.boot_id & 0xFF, first % _WRAP, tick_us % _WRAP, count, rows)
        )
        self._waiting_samples += count
        while self._waiting_samples > self._buffer_samples:
            self._drop_oldest()

    def receive(self, received: bytes) -> None:
        """Obey the commands in `received`; what is damaged is ignored, the host asks again."""
        for message in self._reader.receive(received):
            if not isinstance(message, Command | UnknownCommand):
                continue
            answer = self._obey(message)
            if self._waiting_answers < _MOST_ANSWERS_WAITING:
                self._waiting_answers += 1
                self._waiting.append(answer)

    def outgoing(self, limit: int) -> bytes:
        """Return at most `limit` bytes for the wire; what is left waits for the next call."""
        taken = bytearray(self._partly_sent)
        while len(taken) < limit and self._waiting:
            message = self._waiting.popleft()
            if isinstance(message, Samples):
                self._waiting_samples -= message.count
            else:
                self._waiting_answers -= 1
            taken += encode_frame(encode(message))
        self._partly_sent = bytes(taken[limit:])
        return bytes(taken[:limit])

    def _obey(self, command: Command | UnknownCommand) -> Answer:
        match command:
            case Identify():
                return replace(self.identity, command_id=command.command_id)
            case Describe():
                if command.channel >= len(self.channels):
                    return self._reply(command, Status.BAD_ARGUMENT, 0)
                return replace(self.channels[command.channel], command_id=command.command_id)
            case Start():
                if self.state is LoggerState.IDLE:
                    self._stream_start = self._next_index
                self.state = LOGGER_MOVES[self.state, LoggerStep.START]
                return self._reply(command, Status.DONE, self._stream_start)
            case Stop():
                self.state = LOGGER_MOVES[self.state, LoggerStep.STOP]
                return self._reply(command, Status.DONE, self._next_index)
            case UnknownCommand():
                reserved = command.command == MessageType.RESEND
                status = Status.NOT_SUPPORTED if reserved else Status.UNKNOWN_COMMAND
                return Reply(command.command_id, command.command, status, 0)

    def _reply(self, command: Command, status: Status, index: int) -> Reply:
        return Reply(command.command_id, COMMAND_TYPES[type(command)], status, index % _WRAP)

    def _drop_oldest(self) -> None:
        for position, message in enumerate(self._waiting):
            if isinstance(message, Samples):
                del self._waiting[position]
                self._waiting_samples -= message.count
                self.dropped_samples += message.count
                return
