"""The host's end of the protocol as a pure state machine: bytes and the time in, events and bytes out.

It sends one command at a time, repeats it until it is answered, and passes every sound message on. The
caller owns the clock and the wire: after each call it writes `outgoing()`, and by `next_deadline()` it
calls `expire()`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

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
    COMMAND_TYPES,
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
from firmware_protocol.wire import (
    COMMAND_ATTEMPTS,
    IDENTIFY_ATTEMPTS,
    MAX_RESEND_SAMPLES,
    REPLY_TIMEOUT_S,
    Status,
)

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
    """A request to resend has ended, after what it brought.

    Of the samples from the first one asked for up to `index` (modulo 2**32) nothing will come any more.
    None: the logger refused, or did not answer; nothing is known then.
    """

    index: int | None


@dataclass(frozen=True, slots=True)
class Failed:
    """The conversation cannot go on; open a new one after mending what the error says."""

    error: RemoteProtocolError


Event = Answer | FrameRejected | Described | Started | Stopped | Resent | Failed


_WRAP: Final = 1 << 32
_MOST_COMMAND_ID: Final = 255


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
    """One conversation with one logger, from `open()` on.

    Command ids count from `first_command_id` (1 to 255). Who begins each conversation with another one is
    not deceived by answers to the one before that are still on their way.
    """

    def __init__(self, first_command_id: int = 1) -> None:
        if not 1 <= first_command_id <= _MOST_COMMAND_ID:
            raise LocalProtocolError(
                f"a host's command id is 1 to {_MOST_COMMAND_ID}, not {first_command_id}"
            )
        self.state = HostState.CLOSED
        self._reader = MessageReader()
        self._to_send = bytearray()
        self._outstanding: _Outstanding | None = None
        self._next_command_id = first_command_id
        self._resume: Identity | None = None
        self._identity: Identity | None = None
        self._channels: list[Channel] = []

    @property
    def pending(self) -> bytes:
        """Bytes received of a frame that is not complete yet; at most one frame long."""
        return self._reader.pending

    @property
    def described(self) -> Described | None:
        """The logger of this conversation, as it described itself or as the caller of `open` knew it."""
        if self._identity is None or len(self._channels) < self._identity.channel_count:
            return None
        return Described(self._identity, tuple(self._channels))

    @property
    def can_ask(self) -> bool:
        """Whether `resend` is allowed: samples come and no command waits."""
        return self.state is HostState.STREAMING and self._outstanding is None

    def open(self, now: float, resume: Identity | None = None, channels: Sequence[Channel] = ()) -> None:
        """Ask the logger who it is; `Described` or `Failed` follows.

        With `resume`, and its `channels`, the identity from before the link was lost: if it is that logger
        in that boot its stream goes on, and `Started` follows instead of `Described`.
        """
        self._step(HostStep.OPEN)
        self._resume = resume
        self._channels = list(channels) if resume is not None else []
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
        """Ask for samples once more, `first_index` being the earliest one missing; `Resent` follows.

        What comes again comes as Samples like any other. Raises LocalProtocolError while not `can_ask`, and
        for a `count` outside 1 to MAX_RESEND_SAMPLES.
        """
        if not self.can_ask:
            raise LocalProtocolError(f"the host cannot ask for a resend while {self.state.name}, or waiting")
        if not 1 <= count <= MAX_RESEND_SAMPLES:
            raise LocalProtocolError(f"{count} samples to resend, 1 to {MAX_RESEND_SAMPLES} are allowed")
        self._ask(Resend(self._take_command_id(), first_index % _WRAP, count), now, COMMAND_ATTEMPTS)

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
        if waiting.attempts_left == 0:
            return [self._give_up(NoReply(f"the logger did not answer the command {_name(waiting.command)}"))]
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
        if self._resume is not None and replace(self._resume, command_id=identity.command_id) == identity:
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
        if COMMAND_TYPES[type(waiting.command)] != reply.command:
            return []
        if reply.status is not Status.DONE:
            why = reply.status.name.lower().replace("_", " ")
            name = _name(waiting.command)
            return [self._give_up(CommandRefused(f"the logger refused the command {name}: {why}"))]
        match waiting.command:
            case Start():
                self._outstanding = None
                self._step(HostStep.STARTED)
                return [Started(reply.index)]
            case Stop():
                self._outstanding = None
                return self._handle_stopped(reply.index, now)
            case Resend():
                self._outstanding = None
                return [Resent(reply.index)]
            case _:  # identify and describe are answered by other messages
                return []

    def _handle_stopped(self, index: int, now: float) -> list[Event]:
        if self.state is HostState.STOPPING:
            self._step(HostStep.STOPPED)
            return [Stopped(index)]
        self._step(HostStep.QUIET)
        self._ask(Describe(self._take_command_id(), 0), now, COMMAND_ATTEMPTS)
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
        self._next_command_id = taken % _MOST_COMMAND_ID + 1
        return taken

    def _step(self, step: HostStep) -> None:
        self.state = move_host(self.state, step)

    def _give_up(self, error: RemoteProtocolError) -> Event:
        """Let go of the waiting command; only a resend leaves the conversation as it was."""
        if self._outstanding is not None and isinstance(self._outstanding.command, Resend):
            self._outstanding = None
            return Resent(None)
        return self._fail(error)

    def _fail(self, error: RemoteProtocolError) -> Failed:
        self._step(HostStep.FAIL)
        self._outstanding = None
        return Failed(error)


def _name(command: Command) -> str:
    return type(command).__name__.lower()
