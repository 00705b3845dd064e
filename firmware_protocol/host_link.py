"""The host's end of the protocol as a pure state machine: bytes and the time in, events and bytes out.

It sends one command at a time, repeats it until it is answered, and passes every sound message on. The
caller owns the clock and the wire: after each call it writes `outgoing()`, and by `next_deadline()` it
calls `expire()`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from firmware_protocol.codec import decode, encode
from firmware_protocol.errors import (
    CommandRefused,
    LocalProtocolError,
    MalformedMessage,
    NoReply,
    RemoteProtocolError,
    VersionMismatch,
)
from firmware_protocol.framing import Damage, FrameReader, FrameRejected, encode_frame, frame_bytes
from firmware_protocol.messages import (
    Answer,
    Channel,
    Command,
    Describe,
    Identify,
    Identity,
    Message,
    Reply,
    Resend,
    Samples,
    Start,
    Stop,
)
from firmware_protocol.states import HostState, HostStep, move_host
from firmware_protocol.wire import COMMAND_ATTEMPTS, IDENTIFY_ATTEMPTS, REPLY_TIMEOUT_S, MessageType, Status

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Described:
    """The logger has said all about itself; it is quiet and can be started."""

    identity: Identity
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class Started:
    """Samples come from now on; the first has this index (modulo 2**32)."""

    index: int


@dataclass(frozen=True, slots=True)
class Stopped:
    """No sample follows; the one that would have come next has this index (modulo 2**32)."""

    index: int


@dataclass(frozen=True, slots=True)
class Resent:
    """The logger has sent again what it still had; nothing before `index` (modulo 2**32) will ever come.

    None where it refused, or did not answer.
    """

    index: int | None


@dataclass(frozen=True, slots=True)
class Failed:
    """The conversation cannot go on; open a new one after mending what the error says."""

    error: RemoteProtocolError


Event = Answer | FrameRejected | Described | Started | Stopped | Resent | Failed


@dataclass(slots=True)
class _Outstanding:
    """The one command that waits for its answer."""

    command: Command
    attempts_left: int
    deadline: float


class MessageReader:
    """Turns bytes into messages and rejected frames; the part of the host that replaying a run needs too."""

    def __init__(self) -> None:
        self._frames = FrameReader()

    @property
    def pending(self) -> bytes:
        """Bytes of the frame that has begun and not ended."""
        return self._frames.pending

    def receive(self, received: bytes) -> list[Message | FrameRejected | VersionMismatch]:
        """Return what `received` completes, in order; a foreign identity as the error it amounts to."""
        results: list[Message | FrameRejected | VersionMismatch] = []
        for frame in self._frames.receive(received):
            if isinstance(frame, FrameRejected):
                results.append(frame)
                continue
            try:
                results.append(decode(frame))
            except VersionMismatch as mismatch:
                results.append(mismatch)
            except MalformedMessage:
                results.append(FrameRejected(Damage.MESSAGE, frame_bytes(frame)))
        return results


class HostLink:
    """One conversation with one logger, from `open()` on."""

    def __init__(self, first_command_id: int = 1) -> None:
        self.state = HostState.CLOSED
        self._reader = MessageReader()
        self._to_send = bytearray()
        self._outstanding: _Outstanding | None = None
        self._next_command_id = first_command_id
        self._known: Identity | None = None
        self._identity: Identity | None = None
        self._channels: list[Channel] = []

    @property
    def pending(self) -> bytes:
        """Bytes received of a frame that is not complete yet; at most one frame long."""
        return self._reader.pending

    @property
    def can_ask(self) -> bool:
        """Whether samples may be asked for again now: the stream runs and no command waits."""
        return self.state is HostState.STREAMING and self._outstanding is None

    def open(self, now: float, resume: Identity | None = None, channels: Sequence[Channel] = ()) -> None:
        """Ask the logger who it is; `Described` or `Failed` follows.

        A logger that is still the one of `resume`, in the same boot, goes on: `Started` follows, and it is
        not asked for its channels again.
        """
        self._known, self._channels = resume, list(channels)
        self._step(HostStep.OPEN)
        self._ask(Identify(self._take_command_id()), now, IDENTIFY_ATTEMPTS)

    def start(self, now: float) -> None:
        """Ask for samples; `Started` or `Failed` follows."""
        self._step(HostStep.START)
        self._ask(Start(self._take_command_id()), now, COMMAND_ATTEMPTS)

    def stop(self, now: float) -> None:
        """Ask for the end of the samples; `Stopped` or `Failed` follows, the last samples before it."""
        self._step(HostStep.STOP)
        self._ask(Stop(self._take_command_id()), now, COMMAND_ATTEMPTS)

    def resend(self, first_index: int, count: int, now: float) -> None:
        """Ask for samples again while `can_ask`; `Resent` follows, behind all that comes of them."""
        if not self.can_ask:
            raise LocalProtocolError("samples can be asked for again while streaming, one question at a time")
        wrapped = first_index % (1 << 32)
        self._ask(Resend(self._take_command_id(), wrapped, count), now, COMMAND_ATTEMPTS)

    def outgoing(self) -> bytes:
        """Return the bytes to write to the logger now, each once."""
        taken = bytes(self._to_send)
        self._to_send.clear()
        return taken

    def next_deadline(self) -> float | None:
        """Return the time by which `expire` must be called, or None while nothing is awaited."""
        return self._outstanding.deadline if self._outstanding else None

    def expire(self, now: float) -> list[Event]:
        """Repeat the command whose answer is overdue, or give up on it."""
        waiting = self._outstanding
        if waiting is None or now < waiting.deadline:
            return []
        if waiting.attempts_left == 0 and isinstance(waiting.command, Resend):
            self._outstanding = None
            return [Resent(None)]
        if waiting.attempts_left == 0:
            name = type(waiting.command).__name__.lower()
            return [self._fail(NoReply(f"the logger did not answer the command {name}"))]
        waiting.attempts_left -= 1
        waiting.deadline = now + REPLY_TIMEOUT_S
        self._to_send += encode_frame(encode(waiting.command))
        return []

    def receive(self, received: bytes, now: float) -> list[Event]:
        """Return the events that `received` completes. Noise yields FrameRejected, never an exception."""
        if self.state is HostState.CLOSED:
            return []
        events: list[Event] = []
        for message in self._reader.receive(received):
            if self.state is not HostState.FAILED:
                events.extend(self._handle(message, now))
        return events

    def _handle(self, message: Message | FrameRejected | VersionMismatch, now: float) -> list[Event]:
        match message:
            case VersionMismatch():
                return [self._fail(message)]
            case FrameRejected():
                return [message]
            case Samples():
                wanted = self.state in {HostState.STARTING, HostState.STREAMING, HostState.STOPPING}
                return [message] if wanted else []
            case Identity():
                return [message, *self._handle_identity(message, now)]
            case Channel():
                return [message, *self._handle_channel(message, now)]
            case Reply():
                return [message, *self._handle_reply(message, now)]
            case _:  # our own command, echoed by the line
                return [FrameRejected(Damage.MESSAGE, frame_bytes(encode(message)))]

    def _handle_identity(self, identity: Identity, now: float) -> list[Event]:
        if self._answered(identity.command_id, Identify) is None:
            return []
        self._identity = identity
        if self._known is not None and replace(self._known, command_id=identity.command_id) == identity:
            self._step(HostStep.RESUME)
            self._ask(Start(self._take_command_id()), now, COMMAND_ATTEMPTS)
            return []
        self._channels = []
        self._step(HostStep.IDENTIFIED)
        self._ask(Stop(self._take_command_id()), now, COMMAND_ATTEMPTS)
        return []

    def _handle_channel(self, channel: Channel, now: float) -> list[Event]:
        if self._identity is None or channel.channel != len(self._channels):
            return []
        if self._answered(channel.command_id, Describe) is None:
            return []
        self._channels.append(channel)
        if len(self._channels) < self._identity.channel_count:
            self._ask(Describe(self._take_command_id(), len(self._channels)), now, COMMAND_ATTEMPTS)
            return []
        self._step(HostStep.DESCRIBED)
        return [Described(self._identity, tuple(self._channels))]

    def _handle_reply(self, reply: Reply, now: float) -> list[Event]:
        waiting = self._outstanding
        if waiting is None or waiting.command.command_id != reply.command_id:
            return []
        if isinstance(waiting.command, Resend) and reply.command == MessageType.RESEND:
            self._outstanding = None
            return [Resent(reply.index if reply.status is Status.DONE else None)]
        if reply.status is not Status.DONE:
            name = type(waiting.command).__name__.lower()
            why = reply.status.name.lower().replace("_", " ")
            return [self._fail(CommandRefused(f"the logger refused the command {name}: {why}"))]
        if reply.command == MessageType.START and self._answered(reply.command_id, Start):
            self._step(HostStep.STARTED)
            return [Started(reply.index)]
        if reply.command == MessageType.STOP and self._answered(reply.command_id, Stop):
            if self.state is HostState.QUIETING:
                self._step(HostStep.QUIET)
                self._ask(Describe(self._take_command_id(), 0), now, COMMAND_ATTEMPTS)
                return []
            self._step(HostStep.STOPPED)
            return [Stopped(reply.index)]
        return []

    def _answered(self, command_id: int, kind: type[Command]) -> Command | None:
        """Return and clear the outstanding command if this is its answer."""
        waiting = self._outstanding
        if (
            waiting is None
            or waiting.command.command_id != command_id
            or not isinstance(waiting.command, kind)
        ):
            return None
        self._outstanding = None
        return waiting.command

    def _ask(self, command: Command, now: float, attempts: int) -> None:
        self._outstanding = _Outstanding(command, attempts - 1, now + REPLY_TIMEOUT_S)
        self._to_send += encode_frame(encode(command))

    def _take_command_id(self) -> int:
        taken = self._next_command_id
        self._next_command_id = taken % 255 + 1
        return taken

    def _step(self, step: HostStep) -> None:
        self.state = move_host(self.state, step)

    def _fail(self, error: RemoteProtocolError) -> Failed:
        self._step(HostStep.FAIL)
        self._outstanding = None
        return Failed(error)
