"""The ring and its resends, whatever is sampled, asked for and carried away (SPEC 5.2 and 6)."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from protocol_talk import ALL, heard, tell

from firmware_protocol.codec import encode
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import MessageReader
from firmware_protocol.messages import Identify, Reply, Resend, Samples, Start, Stop
from firmware_protocol.states import LoggerState
from firmware_protocol.wire import MessageType, Status

ring_sizes = st.integers(0, 60) | st.sampled_from([1, 7, 1000])


@dataclass
class Truth:
    """What a logger must be like, kept the plain way: every message it ever took in a stream."""

    ring_samples: int
    streamed: list[tuple[int, int]] = field(default_factory=list)  # (first index, count), oldest first

    def held(self) -> list[tuple[int, int]]:
        """Return the messages that are the latest `ring_samples` samples, but at least the latest message."""
        held, samples = [], 0
        for first, count in reversed(self.streamed):
            samples += count
            if held and samples > self.ring_samples:
                break
            held.insert(0, (first, count))
        return held


class RingMachine(RuleBasedStateMachine):
    """Samples, commands, a wire that takes any portion: what comes out is held against the plain truth."""

    bench_class: type

    @initialize(ring_samples=ring_sizes)
    def switch_on(self, ring_samples):
        self.bench = self.bench_class(ring_samples)
        self.truth = Truth(ring_samples)
        self.reader = MessageReader()
        self.asked: dict[int, int] = {}
        self.next_id = 0
        self.gone: list[range] = []  # what the logger has said will never come any more

    @rule(count=st.integers(1, 20))
    def sample(self, count):
        if self.bench.logger.state is LoggerState.STREAMING:
            self.truth.streamed.append((self.bench.taken, count))
        self.bench.sample(count)

    @rule()
    def start(self):
        tell(self.bench.logger, Start(0))

    @rule()
    def stop(self):
        tell(self.bench.logger, Stop(0))

    @rule(back=st.integers(-30, 200), count=st.integers(0, 60))
    def resend(self, back, count):
        first = max(0, self.bench.taken - back)
        self.next_id = self.next_id % 255 + 1
        self.asked[self.next_id] = first
        tell(self.bench.logger, Resend(self.next_id, first, count))

    @rule(limit=st.integers(1, 200) | st.just(ALL))
    def carry(self, limit):
        wire = self.bench.logger.outgoing(limit)
        assert len(wire) <= limit
        for message in self.reader.receive(wire):
            self.hear(message)

    @rule()
    def lose_the_link(self):
        self.bench.logger.lose_link()
        self.reader = MessageReader()

    @rule()
    def throw_away(self):
        """No host is there: what goes out is lost, the stream goes on."""
        self.reader.receive(self.bench.logger.outgoing(ALL))
        self.reader = MessageReader()

    def hear(self, message):
        match message:
            case Samples():
                first, count = message.first_index, message.count
                assert (first, count) in self.truth.streamed
                assert message.rows == self.bench.rows(first, count)
                assert message.tick_us == first * 1000
                assert not any(gone.start < first + count and first < gone.stop for gone in self.gone)
            case Reply(command=MessageType.RESEND):
                self.hear_resent(message)

    def hear_resent(self, reply):
        first = self.asked[reply.command_id]
        if self.bench.identity.ring_samples == 0:
            assert (reply.status, reply.index) == (Status.NOT_SUPPORTED, 0)
        elif reply.status is Status.DONE:
            assert reply.index <= max(first, self.bench.taken)
            self.gone.append(range(first, reply.index))

    @invariant()
    def memory_is_bounded(self):
        logger = self.bench.logger
        held = [(each.first_index, each.message.count) for each in logger._ring._held.values()]
        if self.bench.identity.ring_samples > 0:
            assert held == self.truth.held()
        else:
            assert sum(count for _, count in held) <= 20
        assert len(logger._answers) <= 16
        assert len(logger._partly_sent) <= 242


def test_ring_holds_the_latest_samples(make_bench):
    """Any sequence of sampling, commands and carrying leaves in the ring what the plain truth says."""

    class Machine(RingMachine):
        bench_class = make_bench

    Machine.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
    Machine.TestCase("runTest").runTest()


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=60), st.integers(0, 60), st.integers(1, 40), st.data()
)
def test_resend_of_any_stretch(make_bench, counts, ring_samples, asked, data):
    """What comes again is just the held messages that overlap, as they came, and then the right index."""
    bench = make_bench(ring_samples + 1)
    tell(bench.logger, Start(1))
    live = []
    for count in counts:
        bench.sample(count)
        live += [each for each in heard(bench.logger) if isinstance(each, Samples)]
    held, samples = [], 0
    for message in reversed(live):
        samples += message.count
        if held and samples > ring_samples + 1:
            break
        held.insert(0, message)
    first = data.draw(st.integers(0, bench.taken + 5))
    tell(bench.logger, Resend(2, first, asked))
    *again, reply = heard(bench.logger)
    ends = {message.first_index: message.first_index + message.count for message in held}
    assert again == [
        message
        for message in held
        if message.first_index < first + asked and first < ends[message.first_index]
    ]
    behind = [max(first, start) for start, end in ends.items() if end > first]
    assert reply == Reply(2, MessageType.RESEND, Status.DONE, min(behind, default=bench.taken))


def under_way(bench):
    """Return a reader that has the first bytes of a resend of three messages, id 2."""
    tell(bench.logger, Start(1))
    for _ in range(3):
        bench.sample(4)
    heard(bench.logger)
    tell(bench.logger, Resend(2, 0, 12))
    reader = MessageReader()
    assert reader.receive(bench.logger.outgoing(5)) == []
    return reader


def test_the_same_resend_goes_on(bench):
    """An impatient host that repeats its RESEND does not make the logger begin anew."""
    reader = under_way(bench)
    tell(bench.logger, Resend(2, 0, 12))
    *again, reply = reader.receive(bench.logger.outgoing(ALL))
    assert [each.first_index for each in again] == [0, 4, 8]
    assert reply.command_id == 2


@pytest.mark.parametrize("other", [Resend(3, 0, 12), Resend(2, 1, 12), Resend(2, 0, 11)])
def test_another_resend_begins_anew(bench, other):
    """A RESEND with another id or other fields takes the place of the one under way."""
    reader = under_way(bench)
    tell(bench.logger, other)
    *again, reply = reader.receive(bench.logger.outgoing(ALL))
    assert [each.first_index for each in again] == [0, 0, 4, 8]
    assert (reply.command_id, reply.index) == (other.command_id, other.first_index)


def test_resend_around_the_wrap_of_the_index(bench):
    """Indices asked for and answered are modulo 2**32; the logger finds the samples on both sides."""
    bench.logger._next_index = bench.taken = 2**32 - 6
    tell(bench.logger, Start(1))
    for _ in range(3):
        bench.sample(4)
    live = heard(bench.logger)[1:]
    tell(bench.logger, Resend(2, 2**32 - 1, 4))
    *again, reply = heard(bench.logger)
    assert again == live[1:]
    assert reply.index == 2**32 - 1
    tell(bench.logger, Resend(3, 2, 50))
    *again, reply = heard(bench.logger)
    assert again == live[2:]
    assert reply.index == 2


def test_answers_go_in_front_of_waiting_samples(bench):
    """However many samples wait, IDENTIFY is answered next; only STOP waits for them."""
    tell(bench.logger, Start(1))
    for _ in range(100):
        bench.sample(10)
    first = bench.logger.outgoing(300)
    tell(bench.logger, Stop(2), Identify(3))
    rest = MessageReader().receive(first + bench.logger.outgoing(ALL))
    kinds = [type(each).__name__ for each in rest]
    assert 1 < kinds.index("Identity") < 10
    assert kinds.count("Samples") == 100
    assert rest[-1] == Reply(2, MessageType.STOP, Status.DONE, 1000)


def test_a_hostile_host_fills_no_memory(bench):
    """Commands of every kind by the thousand leave a bounded number of answers, one STOP and one RESEND."""
    tell(bench.logger, Start(1))
    bench.sample(20)
    for number in range(3000):
        kinds = (Identify(number % 256), Stop(number % 256), Resend(number % 256, number, 65535), Start(1))
        tell(bench.logger, kinds[number % 4])
    assert len(bench.logger.outgoing(ALL)) < (16 + 1 + 1 + 1 + 1) * 242


@pytest.mark.parametrize("ring_samples", [0, 3])
def test_a_message_longer_than_the_ring_is_sent(make_bench, ring_samples):
    """The latest message always waits for the wire, however small the ring; the one before it makes room."""
    bench = make_bench(ring_samples)
    tell(bench.logger, Start(1))
    bench.sample(10)
    bench.sample(10)
    _, samples = heard(bench.logger)
    assert samples.first_index == 10
    assert bench.logger.dropped_samples == 10


def test_unsent_samples_of_a_logger_without_a_ring(make_bench):
    """`unsent_samples` is its buffer; what was sent is not kept, and RESEND is not supported."""
    bench = make_bench(0, unsent_samples=50)
    tell(bench.logger, Start(1))
    for _ in range(7):
        bench.sample(10)
    _, *samples = heard(bench.logger)
    assert [each.first_index for each in samples] == [20, 30, 40, 50, 60]
    assert bench.logger.dropped_samples == 20
    assert not bench.logger._ring._held
    tell(bench.logger, Resend(2, 60, 10))
    assert heard(bench.logger) == [Reply(2, MessageType.RESEND, Status.NOT_SUPPORTED, 0)]


def test_restart_forgets_everything(bench):
    """A restart leaves an idle logger with a new boot id that counts from 0 and has nothing to send."""
    tell(bench.logger, Start(1))
    bench.sample(10)
    bench.logger.outgoing(15)
    tell(bench.logger, Resend(2, 0, 5), Stop(3))
    bench.logger.receive(encode_frame(encode(Identify(4)))[:3])
    bench.logger.restart(9)
    assert bench.logger.outgoing(ALL) == b""
    assert bench.logger.state is LoggerState.IDLE
    tell(bench.logger, Identify(5), Resend(6, 0, 5), Start(7))
    bench.taken = 0
    bench.sample(2)
    identity, started, reply, samples = heard(bench.logger)
    assert (identity.boot_id, identity.command_id) == (9, 5)
    assert (started.index, reply.index) == (0, 0)
    assert (samples.boot_tag, samples.first_index) == (9, 0)


def test_lost_link_keeps_stream_and_ring(bench):
    """What was on its way is gone; what is thrown away meanwhile counts as sent and can be had again."""
    tell(bench.logger, Start(1))
    bench.sample(10)
    bench.logger.outgoing(30)  # in the middle of the samples
    tell(bench.logger, Identify(2), Resend(3, 0, 10))
    bench.logger.receive(b"\x05")
    bench.logger.lose_link()
    assert bench.logger.outgoing(ALL) == b""
    bench.sample(10)
    bench.logger.outgoing(ALL)  # thrown away
    bench.sample(10)
    tell(bench.logger, Start(4), Resend(5, 0, 20))
    started, *samples, reply = heard(bench.logger)
    assert started.index == 0
    assert [each.first_index for each in samples] == [0, 20, 10]
    assert reply.index == 0
    assert bench.logger.dropped_samples == 0


class CountedReads(dict):
    """A dictionary that counts how often it is read."""

    reads = 0

    def __getitem__(self, key):
        type(self).reads += 1
        return super().__getitem__(key)


def test_a_resend_does_not_search_the_ring(make_bench):
    """Each message sent again costs a few looks into a ring of 4000 messages, not one for each message."""
    bench = make_bench(40_000)
    tell(bench.logger, Start(1))
    for _ in range(4000):
        bench.sample(10)
    heard(bench.logger)
    bench.logger._ring._held = CountedReads(bench.logger._ring._held)
    CountedReads.reads = 0
    tell(bench.logger, Resend(2, 100, 30_000))
    again = heard(bench.logger)[:-1]
    assert len(again) == 3000
    assert CountedReads.reads < 2 * len(again)
