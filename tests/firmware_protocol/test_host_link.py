"""The host's end, answer by answer (SPEC 5.1)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from protocol_talk import ALL, answer, exchange, sent_by

from firmware_protocol.codec import decode, encode
from firmware_protocol.errors import (
    CommandRefused,
    LocalProtocolError,
    NoReply,
    VersionMismatch,
)
from firmware_protocol.framing import Damage, FrameRejected, decode_frame, encode_frame
from firmware_protocol.host_link import Described, Failed, HostLink, Started, Stopped
from firmware_protocol.messages import (
    Describe,
    Identify,
    Reply,
    Samples,
    Start,
    Stop,
)
from firmware_protocol.states import HostState
from firmware_protocol.wire import MessageType, Status


def ready(bench):
    """Return a host that has described the bench's logger."""
    host = HostLink()
    host.open(0.0)
    exchange(host, bench.logger)
    assert host.state is HostState.READY
    return host


def described_by_hand(bench, channels):
    """Return a host that waits for the first of `channels` channels, and its DESCRIBE."""
    host = HostLink()
    host.open(0.0)
    answer(host, replace(bench.identity, command_id=1, channel_count=channels))
    answer(host, Reply(2, MessageType.STOP, Status.DONE, 0))
    assert host.state is HostState.DESCRIBING
    assert sent_by(host)[-1] == Describe(3, 0)
    return host


def test_opening_order(bench):
    """The host sends identify, stop, and describe for each channel, one at a time, and is then ready."""
    host = HostLink()
    host.open(0.0)
    order = []
    events = []
    while commands := sent_by(host):
        order += commands
        (command,) = commands
        bench.logger.receive(encode_frame(encode(command)))
        events += host.receive(bench.logger.outgoing(ALL), 0.0)
    assert order == [Identify(1), Stop(2), Describe(3, 0), Describe(4, 1), Describe(5, 2)]
    assert isinstance(events[-1], Described)
    assert events[-1].identity == replace(bench.identity, command_id=1)
    assert [replace(each, command_id=0) for each in events[-1].channels] == list(bench.channels)
    assert host.next_deadline() is None


def test_start_and_stop(bench):
    """Samples come between Started and Stopped, with the indices that the logger says, and again later."""
    host = ready(bench)
    for first in (0, 20):
        host.start(1.0)
        assert exchange(host, bench.logger)[-1] == Started(first)
        bench.sample(4)
        bench.sample(6)
        events = host.receive(bench.logger.outgoing(ALL), 1.0)
        assert [(each.first_index, each.count) for each in events] == [(first, 4), (first + 4, 6)]
        bench.sample(3)
        host.stop(2.0)
        *samples, reply, stopped = exchange(host, bench.logger)
        assert [each.first_index for each in samples] == [first + 10]
        assert isinstance(reply, Reply)
        assert stopped == Stopped(first + 13)
        assert host.state is HostState.READY
        bench.sample(7)  # taken while idle: counted, not sent
        assert bench.logger.outgoing(ALL) == b""


def test_a_logger_left_streaming_is_quieted(bench):
    """Samples of an earlier host's stream are dropped while opening, and the stream is ended."""
    bench.logger.receive(encode_frame(encode(Start(77))))
    bench.sample(5)
    host = HostLink()
    host.open(0.0)
    events = []
    while wire := host.outgoing():
        bench.sample(5)
        bench.logger.receive(wire)
        bench.sample(5)
        events += host.receive(bench.logger.outgoing(ALL), 0.0)
    assert isinstance(events[-1], Described)
    assert not any(isinstance(each, Samples) for each in events)
    bench.sample(5)
    assert bench.logger.outgoing(ALL) == b""


def test_silent_line():
    """IDENTIFY is sent 15 times, 0.4 s apart, with one id, and then the host fails with NoReply."""
    host = HostLink()
    host.open(0.0)
    sent, times, events = sent_by(host), [0.0], []
    while len(sent) < 50 and (deadline := host.next_deadline()) is not None:
        assert host.expire(deadline - 0.001) == []
        assert host.outgoing() == b""
        events += host.expire(deadline)
        times.append(deadline)
        sent += sent_by(host)
    assert sent == [Identify(1)] * 15
    assert times == pytest.approx([0.4 * attempt for attempt in range(16)])
    (failed,) = events
    assert isinstance(failed.error, NoReply)
    assert "identify" in str(failed.error)
    assert host.state is HostState.FAILED


def test_logger_that_falls_silent(bench):
    """Any command but IDENTIFY is sent 8 times before the host gives up."""
    host = ready(bench)
    host.start(10.0)
    sent, events = sent_by(host), []
    while len(sent) < 50 and (deadline := host.next_deadline()) is not None:
        events += host.expire(deadline)
        sent += sent_by(host)
    assert sent == [Start(6)] * 8
    assert isinstance(events[-1].error, NoReply)


@pytest.mark.parametrize("version", [0, 2, 255])
def test_other_version(bench, version):
    """A logger of another version fails the conversation, which says both versions and goes no further."""
    host = HostLink()
    host.open(0.0)
    host.outgoing()
    (failed,) = answer(host, replace(bench.identity, version=version, command_id=1))
    assert isinstance(failed, Failed)
    assert isinstance(failed.error, VersionMismatch)
    assert (failed.error.version, failed.error.supported) == (version, 1)
    assert host.state is HostState.FAILED
    assert host.outgoing() == b""
    assert host.next_deadline() is None


@pytest.mark.parametrize(
    "status", [Status.UNKNOWN_COMMAND, Status.NOT_SUPPORTED, Status.BAD_ARGUMENT], ids=lambda each: each.name
)
def test_refused_command(bench, status):
    """A command answered with any status but done fails the conversation, which says which and why."""
    host = ready(bench)
    host.start(0.0)
    reply, failed = answer(host, Reply(6, MessageType.START, status, 0))
    assert reply.status is status
    assert isinstance(failed.error, CommandRefused)
    assert str(failed.error).endswith(f"start: {status.name.lower().replace('_', ' ')}")
    assert host.state is HostState.FAILED


def test_channel_that_is_not_there(bench):
    """A logger that promised more channels than it has refuses DESCRIBE, and the host fails."""
    bench.logger.identity = replace(bench.identity, channel_count=4)
    host = HostLink()
    host.open(0.0)
    *_, failed = exchange(host, bench.logger)
    assert isinstance(failed.error, CommandRefused)
    assert "bad argument" in str(failed.error)


def test_late_and_foreign_answers_move_nothing(bench):
    """Answers with another id are passed on as events, and the host goes on waiting for its own."""
    host = described_by_hand(bench, 1)
    for late in (
        replace(bench.identity, command_id=1),
        Reply(2, MessageType.STOP, Status.DONE, 0),
        Reply(200, MessageType.DESCRIBE, Status.BAD_ARGUMENT, 0),
        replace(bench.channels[0], command_id=2),
    ):
        assert answer(host, late) == [late]
        assert host.state is HostState.DESCRIBING
        assert host.next_deadline() is not None
    assert isinstance(answer(host, replace(bench.channels[0], command_id=3))[-1], Described)


def test_answer_for_another_channel_leaves_the_command_waiting(bench):
    """CHANNEL with the right id and the wrong channel is no answer: DESCRIBE is repeated."""
    host = described_by_hand(bench, 2)
    answer(host, replace(bench.channels[1], command_id=3))
    assert host.state is HostState.DESCRIBING
    assert host.next_deadline() is not None
    host.expire(host.next_deadline())
    assert sent_by(host) == [Describe(3, 0)]


@pytest.mark.parametrize("status", Status, ids=lambda each: each.name)
def test_reply_to_another_command_leaves_the_command_waiting(bench, status):
    """REPLY with the right id and another command is no answer, however it ended: START is repeated."""
    host = ready(bench)
    host.start(0.0)
    sent_by(host)
    answer(host, Reply(6, MessageType.STOP, status, 0))
    assert host.state is HostState.STARTING
    assert host.next_deadline() is not None
    host.expire(host.next_deadline())
    assert sent_by(host) == [Start(6)]


def test_echo_is_counted_as_damage(bench):
    """The host's own command, echoed by the line, is rejected and moves nothing."""
    host = HostLink()
    host.open(0.0)
    echo = host.outgoing()
    assert host.receive(echo, 0.0) == [FrameRejected(Damage.MESSAGE, len(echo))]
    assert host.state is HostState.IDENTIFYING


def test_closed_and_failed_hosts_hear_nothing(bench):
    """Before open and after a failure nothing comes of received bytes, and nothing can be started."""
    host = HostLink()
    assert answer(host, bench.identity) == []
    with pytest.raises(LocalProtocolError):
        host.start(0.0)
    host.open(0.0)
    answer(host, replace(bench.identity, version=2))
    assert answer(host, bench.identity) == []
    with pytest.raises(LocalProtocolError):
        host.open(0.0)


def test_command_ids_never_become_zero(bench):
    """Ids count 1 to 255 and begin again at 1."""
    host = ready(bench)
    seen = []
    for _ in range(130):
        for ask in (host.start, host.stop):
            ask(0.0)
            wire = host.outgoing()
            seen.append(decode(decode_frame(wire[:-1])).command_id)
            bench.logger.receive(wire)
            host.receive(bench.logger.outgoing(ALL), 0.0)
    assert seen == [index % 255 + 1 for index in range(5, 265)]


@pytest.mark.parametrize("first", [1, 100, 255])
def test_first_command_id_can_be_chosen(bench, first):
    """A host counts its ids from the one it was given."""
    host = HostLink(first)
    host.open(0.0)
    assert sent_by(host) == [Identify(first)]
    answer(host, replace(bench.identity, command_id=first))
    assert sent_by(host) == [Stop(first % 255 + 1)]


@pytest.mark.parametrize("first", [-1, 0, 256])
def test_first_command_id_must_fit(first):
    """Id 0 is no host's, and an id has one byte."""
    with pytest.raises(LocalProtocolError, match="1 to 255"):
        HostLink(first)


def in_one_piece(bench, name):
    """Return what arrives in one piece while the host waits for the REPLY to START, id 6."""
    refused = Reply(6, MessageType.START, Status.BAD_ARGUMENT, 0)
    started = Reply(6, MessageType.START, Status.DONE, 0)
    samples = Samples(0x42, 0, 0, 1, bench.rows(0, 1))
    foreign = replace(bench.identity, version=2)
    return {
        "samples around the reply": (samples, started, samples),
        "samples before a foreign identity": (samples, foreign),
        "an answer behind a refusal": (refused, bench.identity),
        "an echo behind a refusal": (refused, Stop(9)),
    }[name]


@pytest.mark.parametrize(
    "name",
    [
        "samples around the reply",
        "samples before a foreign identity",
        "an answer behind a refusal",
        "an echo behind a refusal",
    ],
)
def test_events_do_not_depend_on_chunks(make_bench, name):
    """The same bytes give the same events at once and byte by byte, also around a failure."""
    seen = []
    for size in (ALL, 1):
        bench = make_bench()
        host = ready(bench)
        host.start(0.0)
        wire = b"".join(encode_frame(encode(each)) for each in in_one_piece(bench, name))
        chunks = [wire[place : place + size] for place in range(0, len(wire), size)]
        events = [event for chunk in chunks for event in host.receive(chunk, 0.0)]
        seen.append([str(event.error) if isinstance(event, Failed) else event for event in events])
    assert seen[0] == seen[1]
