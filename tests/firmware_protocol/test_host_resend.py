"""The host asks for samples again, and goes on after a lost link (SPEC 5.1, 5.4 and 6.3)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from protocol_talk import ALL, answer, exchange, sent_by

from firmware_protocol.codec import encode
from firmware_protocol.errors import LocalProtocolError
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import Described, Failed, HostLink, Resent, Started, Stopped
from firmware_protocol.messages import Describe, Identify, Identity, Reply, Resend, Samples, Start, Stop
from firmware_protocol.states import HostState
from firmware_protocol.wire import COMMAND_ATTEMPTS, MAX_RESEND_SAMPLES, REPLY_TIMEOUT_S, MessageType, Status


def streaming(bench, first_command_id=1):
    """Return a host whose stream from the bench's logger runs."""
    host = HostLink(first_command_id)
    host.open(0.0)
    exchange(host, bench.logger)
    host.start(0.0)
    exchange(host, bench.logger)
    assert host.state is HostState.STREAMING
    return host


def resent(command_id, index, status=Status.DONE):
    """Return a REPLY to RESEND."""
    return Reply(command_id, MessageType.RESEND, status, index)


def test_resend_brings_the_lost_samples(bench):
    """What was lost comes as Samples, then the Reply, then Resent with its index; the stream goes on."""
    host = streaming(bench)
    bench.sample(10)
    bench.logger.outgoing(ALL)  # lost
    bench.sample(10)
    host.receive(bench.logger.outgoing(ALL), 0.0)
    host.resend(0, 10, 1.0)
    samples, reply, done = exchange(host, bench.logger)
    assert samples == Samples(0x42, 0, 0, 10, bench.rows(0, 10))
    assert reply == resent(7, 0)
    assert done == Resent(0)
    assert host.can_ask
    assert host.next_deadline() is None


def test_resend_is_allowed_only_in_a_quiet_stream(bench):
    """`can_ask` says when: only while streaming, and not while a command waits."""
    host = HostLink()
    for prepare in (lambda: None, lambda: host.open(0.0)):
        prepare()
        assert not host.can_ask
        with pytest.raises(LocalProtocolError, match=host.state.name):
            host.resend(0, 1, 0.0)
    host = streaming(bench)
    assert host.can_ask
    host.resend(0, 1, 0.0)
    assert not host.can_ask
    with pytest.raises(LocalProtocolError, match="waiting"):
        host.resend(0, 1, 0.0)


@pytest.mark.parametrize("count", [-1, 0, MAX_RESEND_SAMPLES + 1])
def test_resend_asks_for_a_bounded_number(bench, count):
    """A host asks for 1 to MAX_RESEND_SAMPLES samples; anything else is our own error and sends nothing."""
    host = streaming(bench)
    with pytest.raises(LocalProtocolError, match="1024"):
        host.resend(0, count, 0.0)
    assert host.outgoing() == b""
    assert host.can_ask


def test_resend_takes_whole_indices(bench):
    """The index asked for goes on the wire modulo 2**32."""
    host = streaming(bench)
    host.resend(2**32 + 5, MAX_RESEND_SAMPLES, 0.0)
    assert sent_by(host) == [Resend(7, 5, 1024)]


@pytest.mark.parametrize("status", [status for status in Status if status is not Status.DONE])
def test_refused_resend_does_not_end_the_conversation(bench, status):
    """A refusal is told as Resent(None) behind the Reply; the stream goes on and can be stopped."""
    host = streaming(bench)
    host.resend(0, 1, 0.0)
    refusal = resent(7, 0, status)
    assert answer(host, refusal) == [refusal, Resent(None)]
    assert host.can_ask
    host.stop(0.0)
    host.outgoing()
    assert answer(host, Reply(8, MessageType.STOP, Status.DONE, 9))[-1] == Stopped(9)


def test_unanswered_resend_does_not_end_the_conversation(bench):
    """RESEND is sent as often as any command, with one id, then told as Resent(None)."""
    host = streaming(bench)
    host.resend(3, 2, 10.0)
    sent, times, events = sent_by(host), [10.0], []
    while len(sent) < 50 and (deadline := host.next_deadline()) is not None:
        events += host.expire(deadline)
        times.append(deadline)
        sent += sent_by(host)
    assert sent == [Resend(7, 3, 2)] * COMMAND_ATTEMPTS
    assert times == pytest.approx(
        [10.0 + REPLY_TIMEOUT_S * attempt for attempt in range(COMMAND_ATTEMPTS + 1)]
    )
    assert events == [Resent(None)]
    assert host.can_ask
    late = resent(7, 3)
    assert answer(host, late) == [late]  # too late to mean anything to the host


def test_stop_gives_a_waiting_resend_up(bench):
    """Stop while a resend waits sends STOP at once; the late answer to the resend moves nothing."""
    host = streaming(bench)
    bench.sample(5)
    host.resend(0, 5, 0.0)
    host.stop(0.0)
    assert sent_by(host) == [Resend(7, 0, 5), Stop(8)]
    late = resent(7, 0)
    assert answer(host, late) == [late]
    assert host.state is HostState.STOPPING
    assert answer(host, Reply(8, MessageType.STOP, Status.DONE, 5))[-1] == Stopped(5)


def test_stop_while_resending_at_both_ends(bench):
    """The logger drops the resend's reply, and the host gets its Stopped behind the unsent samples."""
    host = streaming(bench)
    bench.sample(5)
    bench.logger.outgoing(ALL)
    host.resend(0, 5, 0.0)
    bench.logger.receive(host.outgoing())
    bench.sample(5)
    host.stop(0.0)
    *samples, reply, stopped = exchange(host, bench.logger)
    assert [each.first_index for each in samples] == [5]
    assert reply.command == MessageType.STOP
    assert stopped == Stopped(10)


def test_answer_to_another_resend_is_none(bench):
    """A REPLY to RESEND with another id, as of an earlier host, is passed on and means nothing."""
    host = streaming(bench)
    host.resend(0, 1, 0.0)
    stale = resent(6, 4)
    assert answer(host, stale) == [stale]
    assert not host.can_ask


def interrupted(bench):
    """Return what a host knew of the logger when its link was lost in mid-stream."""
    host = streaming(bench)
    bench.sample(10)
    host.receive(bench.logger.outgoing(ALL), 0.0)
    known = host.described
    bench.logger.lose_link()
    return known


def test_resume_goes_on_with_the_stream(bench):
    """The same logger in the same boot: IDENTIFY, START and nothing else; the stream is not disturbed."""
    known = interrupted(bench)
    bench.sample(10)
    bench.logger.outgoing(ALL)  # thrown away: no host there
    host = HostLink(50)
    host.open(1.0, known.identity, known.channels)
    order, events = [], []
    while commands := sent_by(host):
        order += commands
        for command in commands:
            bench.logger.receive(encode_frame(encode(command)))
        bench.sample(10)
        events += host.receive(bench.logger.outgoing(ALL), 1.0)
    assert order == [Identify(50), Start(51)]
    identity, early, reply, started, samples = events
    assert isinstance(identity, Identity)
    assert reply == Reply(51, MessageType.START, Status.DONE, 0)
    assert started == Started(0)
    assert [early.first_index, samples.first_index] == [20, 30]
    assert host.described == Described(identity, known.channels)
    host.resend(10, 20, 1.0)
    *again, _, done = exchange(host, bench.logger)
    assert [each.first_index for each in again] == [10, 20]
    assert done == Resent(10)


def test_resume_starts_a_stream_that_was_stopped(bench):
    """Another host stopped the stream meanwhile: START begins a new one, with the index it says."""
    known = interrupted(bench)
    bench.logger.receive(encode_frame(encode(Stop(99))))
    bench.sample(5)
    bench.logger.outgoing(ALL)
    host = HostLink()
    host.open(1.0, known.identity, known.channels)
    assert exchange(host, bench.logger)[-1] == Started(15)


@pytest.mark.parametrize(
    "change",
    [{"boot_id": 7}, {"firmware": "0.2.0"}, {"ring_samples": 5}, {"interval_ns": 5}, {"name": "other"}],
    ids=lambda change: next(iter(change)),
)
def test_another_identity_takes_the_ordinary_way(bench, change):
    """Another boot or another firmware is quieted and described anew."""
    known = interrupted(bench)
    bench.logger.identity = replace(bench.logger.identity, **change)
    host = HostLink()
    host.open(1.0, known.identity, known.channels)
    events = exchange(host, bench.logger)
    assert isinstance(events[-1], Described)
    assert events[-1].identity == replace(bench.identity, command_id=1, **change)
    assert host.described == events[-1]
    assert not any(isinstance(each, Started) for each in events)
    assert host.state is HostState.READY


def test_restarted_logger_takes_the_ordinary_way(bench):
    """A logger that was switched off and on is a new boot: it is described, and counts from 0 again."""
    known = interrupted(bench)
    bench.logger.restart(0xB0071D43)
    bench.taken = 0
    host = HostLink()
    host.open(1.0, known.identity, known.channels)
    assert exchange(host, bench.logger)[-1].identity.boot_id == 0xB0071D43
    host.start(1.0)
    assert exchange(host, bench.logger)[-1] == Started(0)
    bench.sample(4)
    (samples,) = host.receive(bench.logger.outgoing(ALL), 1.0)
    assert (samples.boot_tag, samples.first_index) == (0x43, 0)
    host.resend(0, 30, 1.0)
    assert exchange(host, bench.logger)[-1] == Resent(0)


def test_fewer_channels_in_another_boot_are_all_asked_for(bench):
    """Channels of before do not count for a logger that is described anew."""
    known = interrupted(bench)
    bench.logger.restart(1)
    host = HostLink()
    host.open(1.0, known.identity, known.channels)
    bench.logger.receive(host.outgoing())
    host.receive(bench.logger.outgoing(ALL), 1.0)
    assert host.described is None
    bench.logger.receive(host.outgoing())
    host.receive(bench.logger.outgoing(ALL), 1.0)
    assert sent_by(host) == [Describe(3, 0)]


def test_resume_fails_like_any_opening(bench):
    """A START of a resumed stream that is refused, or stays unanswered, fails the conversation."""
    known = interrupted(bench)
    host = HostLink()
    host.open(1.0, known.identity, known.channels)
    answer(host, replace(bench.identity, command_id=1))
    assert host.state is HostState.STARTING
    refused = Reply(2, MessageType.START, Status.NOT_SUPPORTED, 0)
    assert isinstance(answer(host, refused)[-1], Failed)
    assert host.state is HostState.FAILED
