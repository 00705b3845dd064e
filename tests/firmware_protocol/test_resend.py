"""Sending again: the host's questions, the logger's ring, both over a line that loses frames (SPEC 5.4)."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codec import decode, encode
from firmware_protocol.errors import LocalProtocolError
from firmware_protocol.framing import decode_frame, encode_frame
from firmware_protocol.host_link import Described, HostLink, MessageReader, Resent, Started, Stopped
from firmware_protocol.messages import Identify, Identity, Reply, Resend, Samples, Start, Stop
from firmware_protocol.states import HostState, LoggerState
from firmware_protocol.wire import COMMAND_ATTEMPTS, MAX_RESEND_SAMPLES, REPLY_TIMEOUT_S, MessageType, Status

ALL = 1 << 20


def sent_by(host):
    """Return the commands that the host sends now."""
    return [decode(decode_frame(wire)) for wire in host.outgoing().split(b"\0") if wire]


def answer(host, message, now=0.0):
    """Let the host receive one message whole."""
    return host.receive(encode_frame(encode(message)), now)


def tell(logger, *commands):
    """Let the logger receive commands whole."""
    for command in commands:
        logger.receive(encode_frame(encode(command)))


def heard(logger):
    """Return all messages that the logger has to send."""
    return MessageReader().receive(logger.outgoing(ALL))


def streaming(bench):
    """Return a host that streams from the bench's logger, all of its commands answered."""
    host = HostLink()
    host.open(0.0)
    while wire := host.outgoing():
        bench.logger.receive(wire)
        for event in host.receive(bench.logger.outgoing(ALL), 0.0):
            if isinstance(event, Described):
                host.start(0.0)
    assert host.can_ask
    return host


# The host


def test_a_question_and_its_answer(make_bench):
    """A question goes out once, its samples and REPLY come as events, then Resent says what begins where."""
    bench = make_bench(ring_samples=100)
    host = streaming(bench)
    for _ in range(3):
        bench.sample(4)
    host.receive(bench.logger.outgoing(ALL), 0.0)
    host.resend(4, 4, 0.0)
    assert not host.can_ask
    (question,) = sent_by(host)
    assert (question.first_index, question.count) == (4, 4)
    tell(bench.logger, question)
    again, reply, resent = host.receive(bench.logger.outgoing(ALL), 0.0)
    assert again == Samples(0x42, 4, 4000, 4, bench.rows(4, 4))
    assert reply == Reply(question.command_id, MessageType.RESEND, Status.DONE, 4)
    assert resent == Resent(4)
    assert host.can_ask


def test_an_index_wraps_in_a_question(make_bench):
    """Indices travel modulo 2**32."""
    host = streaming(make_bench(ring_samples=100))
    host.resend(2**32 + 5, 7, 0.0)
    assert [(one.first_index, one.count) for one in sent_by(host)] == [(5, 7)]


@pytest.mark.parametrize("status", [Status.UNKNOWN_COMMAND, Status.NOT_SUPPORTED, Status.BAD_ARGUMENT])
def test_a_refused_question_ends_nothing(make_bench, status):
    """A refusal says that these samples are lost; the stream goes on."""
    host = streaming(make_bench(ring_samples=100))
    host.resend(0, 5, 0.0)
    (question,) = sent_by(host)
    events = answer(host, Reply(question.command_id, MessageType.RESEND, status, 0))
    assert events[-1] == Resent(None)
    assert host.state is HostState.STREAMING
    assert host.can_ask


def test_an_unanswered_question_is_repeated_and_given_up(make_bench):
    """The same question with the same id so many times, then Resent(None); the conversation goes on."""
    host = streaming(make_bench(ring_samples=100))
    host.resend(0, 5, 0.0)
    asked = sent_by(host)
    for attempt in range(1, COMMAND_ATTEMPTS + 1):
        assert host.next_deadline() == pytest.approx(attempt * REPLY_TIMEOUT_S)
        events = host.expire(host.next_deadline())
        asked += sent_by(host)
    assert events == [Resent(None)]
    assert asked == [asked[0]] * COMMAND_ATTEMPTS
    assert host.state is HostState.STREAMING
    assert host.next_deadline() is None


def test_stop_takes_the_place_of_a_question(make_bench):
    """STOP goes out at once; what still comes of the question changes nothing."""
    host = streaming(make_bench(ring_samples=100))
    host.resend(0, 5, 0.0)
    (question,) = sent_by(host)
    host.stop(0.0)
    (stop,) = sent_by(host)
    assert isinstance(stop, Stop)
    late = answer(host, Reply(question.command_id, MessageType.RESEND, Status.DONE, 0))
    assert not any(isinstance(event, Resent) for event in late)
    assert answer(host, Reply(stop.command_id, MessageType.STOP, Status.DONE, 9))[-1] == Stopped(9)


def test_questions_are_for_streaming(bench):
    """Asking before the stream runs, or twice at once, is a mistake of the caller."""
    host = HostLink()
    with pytest.raises(LocalProtocolError):
        host.resend(0, 1, 0.0)
    host = streaming(bench)
    host.resend(0, 1, 0.0)
    with pytest.raises(LocalProtocolError):
        host.resend(0, 1, 0.0)


def test_a_known_logger_is_resumed(make_bench):
    """The same boot after a lost link: no STOP, no DESCRIBE; the stream has run on."""
    bench = make_bench(ring_samples=100)
    streaming(bench)
    bench.sample(4)
    host = HostLink(first_command_id=77)
    host.open(0.0, resume=replace(bench.identity, command_id=9), channels=bench.channels)
    events, asked = [], []
    while wire := host.outgoing():
        asked.append(decode(decode_frame(wire[:-1])))
        bench.logger.receive(wire)
        events += host.receive(bench.logger.outgoing(ALL), 0.0)
    assert asked == [Identify(77), Start(78)]
    assert Started(0) in events
    assert not any(isinstance(event, Described) for event in events)
    assert host.can_ask


@pytest.mark.parametrize("change", [{"boot_id": 5}, {"firmware": "9"}, {"interval_ns": 7}])
def test_another_logger_is_asked_all(make_bench, change):
    """Another boot or another firmware: the ordinary way from STOP on, and Described."""
    bench = make_bench(ring_samples=100)
    host = HostLink()
    host.open(0.0, resume=replace(bench.identity, **change))
    asked, events = [], []
    while wire := host.outgoing():
        asked.append(decode(decode_frame(wire[:-1])))
        bench.logger.receive(wire)
        events += host.receive(bench.logger.outgoing(ALL), 0.0)
    assert isinstance(asked[1], Stop)
    assert events[-1] == Described(replace(bench.identity, command_id=1), events[-1].channels)
    assert len(events[-1].channels) == len(bench.channels)
    assert host.state is HostState.READY


# The logger


def test_whole_messages_are_sent_again(make_bench):
    """What overlaps the question comes as it was, though only a part was asked for."""
    bench = make_bench(ring_samples=100)
    tell(bench.logger, Start(1))
    for _ in range(5):
        bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(2, 6, 7))
    *again, reply = heard(bench.logger)
    assert [one.first_index for one in again] == [4, 8, 12]
    assert again == [Samples(0x42, at, at * 1000, 4, bench.rows(at, 4)) for at in (4, 8, 12)]
    assert reply == Reply(2, MessageType.RESEND, Status.DONE, 6)


def test_what_fell_out_of_the_ring_is_told(make_bench):
    """The answer names the first sample that is still there; of all before it nothing will come."""
    bench = make_bench(ring_samples=10)
    tell(bench.logger, Start(1))
    for _ in range(5):
        bench.sample(4)
        heard(bench.logger)
    tell(bench.logger, Resend(2, 0, 14))
    *again, reply = heard(bench.logger)
    assert ([one.first_index for one in again], reply.index) == ([12], 12)
    tell(bench.logger, Resend(3, 0, 4))
    assert heard(bench.logger) == [Reply(3, MessageType.RESEND, Status.DONE, 12)]


def test_what_was_never_taken_is_told(make_bench):
    """Between a stop and the next start nothing was kept: the answer names where the stream begins again."""
    bench = make_bench(ring_samples=100)
    tell(bench.logger, Start(1))
    bench.sample(4)
    tell(bench.logger, Stop(2))
    bench.sample(50)
    tell(bench.logger, Start(3))
    bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(4, 4, 10))
    assert heard(bench.logger) == [Reply(4, MessageType.RESEND, Status.DONE, 54)]
    tell(bench.logger, Resend(5, 0, 2))
    assert [type(one) for one in heard(bench.logger)] == [Samples, Reply], "a start does not clear the ring"


def test_what_is_yet_to_come_is_not_sent_early(make_bench):
    """A question for the future, or for what still waits, gets an answer that names it."""
    bench = make_bench(ring_samples=100)
    tell(bench.logger, Start(1))
    bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(2, 4, 10))
    assert heard(bench.logger) == [Reply(2, MessageType.RESEND, Status.DONE, 4)]
    tell(bench.logger, Resend(3, 20, 10))
    assert heard(bench.logger) == [Reply(3, MessageType.RESEND, Status.DONE, 20)]


def test_resent_and_live_samples_go_in_turn(make_bench):
    """The live stream is not held up by what is sent again."""
    bench = make_bench(ring_samples=200)
    tell(bench.logger, Start(1))
    for _ in range(4):
        bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(2, 0, 16))
    for _ in range(3):
        bench.sample(4)
    messages = heard(bench.logger)
    assert [one.first_index for one in messages[:7]] == [0, 16, 4, 20, 8, 24, 12]
    assert messages[7:] == [Reply(2, MessageType.RESEND, Status.DONE, 0)]


def test_a_new_question_replaces_the_running_one(make_bench):
    """One cursor: the earlier question is not answered any more, a repeated one begins anew."""
    bench = make_bench(ring_samples=200)
    tell(bench.logger, Start(1))
    for _ in range(4):
        bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(2, 0, 16), Resend(3, 8, 4), Resend(3, 8, 4))
    first, reply = heard(bench.logger)
    assert (first.first_index, reply.command_id) == (8, 3)


def test_stop_ends_a_resend(make_bench):
    """After STOP what waits goes out, then its answer; the question is not answered."""
    bench = make_bench(ring_samples=200)
    tell(bench.logger, Start(1))
    for _ in range(4):
        bench.sample(4)
    heard(bench.logger)
    bench.sample(4)
    tell(bench.logger, Resend(2, 0, 16), Stop(3))
    assert [getattr(one, "first_index", one) for one in heard(bench.logger)] == [
        16,
        Reply(3, MessageType.STOP, Status.DONE, 20),
    ]
    tell(bench.logger, Resend(4, 0, 4))
    assert [type(one) for one in heard(bench.logger)] == [Samples, Reply], "the ring outlives the stream"


def test_no_ring_no_resend(bench):
    """A logger that keeps nothing says so."""
    tell(bench.logger, Start(1))
    bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(2, 0, 4))
    assert heard(bench.logger) == [Reply(2, MessageType.RESEND, Status.NOT_SUPPORTED, 0)]


def test_a_restart_forgets_all(make_bench):
    """Another boot id, index 0, nothing waiting, nothing to send again."""
    bench = make_bench(ring_samples=100)
    tell(bench.logger, Start(1))
    bench.sample(4)
    bench.logger.restart(0x77)
    assert bench.logger.state is LoggerState.IDLE
    assert heard(bench.logger) == []
    tell(bench.logger, Identify(1), Start(2))
    bench.logger.sample(5, 1, bench.rows(0, 1))
    identity, started, samples = heard(bench.logger)
    assert isinstance(identity, Identity)
    assert (identity.boot_id, started.index, samples.first_index, samples.boot_tag) == (0x77, 0, 0, 0x77)
    tell(bench.logger, Resend(3, 1, 4))
    assert heard(bench.logger) == [Reply(3, MessageType.RESEND, Status.DONE, 1)]


actions = st.lists(
    st.one_of(
        st.tuples(st.just("sample"), st.integers(1, 9)),
        st.tuples(st.just("resend"), st.tuples(st.integers(0, 200), st.integers(0, 60))),
        st.tuples(st.just("outgoing"), st.integers(1, 400)),
        st.tuples(st.sampled_from(["start", "stop"]), st.none()),
    ),
    max_size=60,
)


@settings(deadline=None, max_examples=150)
@given(actions=actions, ring=st.integers(1, 60))
def test_any_order_of_things(make_bench, actions, ring):
    """Whatever is asked whenever: resent rows are the rows taken, nothing early, memory bounded."""
    bench = make_bench(ring_samples=ring)
    reader, seen = MessageReader(), []
    tell(bench.logger, Start(1))
    for what, value in [*actions, ("outgoing", ALL)]:
        match what:
            case "sample":
                bench.sample(value)
            case "resend":
                tell(bench.logger, Resend(2, *value))
            case "start":
                tell(bench.logger, Start(3))
            case "stop":
                tell(bench.logger, Stop(4))
            case "outgoing":
                seen += reader.receive(bench.logger.outgoing(value))
        kept = bench.logger._ring._kept.values()
        assert sum(one.message.count for one in kept) <= ring or len(kept) == 1
    for one in seen:
        if isinstance(one, Samples):
            assert one.rows == bench.rows(one.first_index, one.count)
            assert one.tick_us == one.first_index * 1000
    live = [one.first_index for one in seen if isinstance(one, Samples)]
    firsts = list(dict.fromkeys(live))
    assert firsts == sorted(firsts), "what is new comes in rising order; only what was sent comes again"


def test_hostile_questions_take_no_memory(make_bench):
    """Ten thousand questions leave one cursor, and few answers waiting."""
    bench = make_bench(ring_samples=100)
    tell(bench.logger, Start(1))
    for number in range(10_000):
        tell(bench.logger, Resend(number % 256, number * 7919 % 2**32, 65_535))
    assert len(heard(bench.logger)) <= 18


# Both ends


class EarliestFirst:
    """A host's user that asks for the earliest missing sample until none is missing."""

    def __init__(self):
        self.have, self.gone, self.newest, self.next = set(), set(), 0, 0

    def take(self, events):
        for event in events:
            match event:
                case Samples():
                    self.have |= set(range(event.first_index, event.first_index + event.count)) - self.gone
                    self.newest = max(self.newest, event.first_index + event.count)
                case Resent(index) if index is not None:
                    self.gone |= {at for at in range(self.next, index) if at not in self.have}
            while self.next in self.have or self.next in self.gone:
                self.next += 1

    def question(self):
        if self.next >= self.newest:
            return None
        until = min((at for at in self.have if at > self.next), default=self.newest)
        return self.next, min(until - self.next, MAX_RESEND_SAMPLES)


def carried(wire, noise, loss):
    """Return what a line that loses and damages frames makes of `wire`."""
    frames = [part + b"\0" for part in wire.split(b"\0")[:-1]]
    kept = []
    for frame in frames:
        chance = noise.random()
        if chance < loss / 2:
            continue
        if chance < loss and len(frame) > 3:
            place = noise.randrange(len(frame) - 1)
            frame = frame[:place] + bytes([frame[place] ^ 0x55 or 1]) + frame[place + 1 :]  # noqa: PLW2901
        kept.append(frame)
    return b"".join(kept)


@pytest.mark.parametrize("ring", [60, 1000], ids=["a short ring", "a ring that holds all"])
@pytest.mark.parametrize("loss", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_all_that_the_logger_has_is_had_in_the_end(make_bench, ring, loss, seed):
    """Over a line that loses and damages frames both ways every sample comes, or is known to be gone."""
    bench, noise, now = make_bench(ring_samples=ring), Random(seed), 0.0  # noqa: S311
    host, user = streaming(bench), EarliestFirst()
    while user.next < 400:
        assert now < 400.0, "it gets on"
        bench.sample(5)
        question = user.question()
        if question is not None and host.can_ask:
            host.resend(*question, now)
        bench.logger.receive(carried(host.outgoing(), noise, loss))
        wire = carried(bench.logger.outgoing(ALL), noise, loss)
        user.take(host.receive(wire, now))
        now += 0.1
        user.take(host.expire(now))
    assert not user.have & user.gone
    if ring == 1000:
        assert not user.gone
    assert all(later > earlier for earlier, later in pairwise(sorted(user.have)))
