"""A host that asks for the earliest missing sample until none is missing (SPEC 6.3), over bad lines.

It ends with every sample but those that the logger's ring had let go of, and knows exactly which those are.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from protocol_talk import ALL, NoisyLine, exchange

from firmware_protocol.counters import unwrap
from firmware_protocol.framing import FrameReader, cobs_encode, crc16
from firmware_protocol.host_link import Failed, HostLink, Resent, Started, Stopped
from firmware_protocol.messages import Samples
from firmware_protocol.states import HostState

TURN_S = 0.05


class Collector:
    """What a host does with the samples: keeps each row once, asks for the earliest missing one."""

    def __init__(self, bench, host: HostLink, first_index: int) -> None:
        self.bench = bench
        self.host = host
        self.first_index = first_index
        self.end = first_index  # behind the latest sample that has been seen
        self.rows: dict[int, bytes] = {}
        self.lost: set[int] = set()
        self.unanswered = 0

    @property
    def missing(self) -> list[int]:
        return [
            index
            for index in range(self.first_index, self.end)
            if index not in self.rows and index not in self.lost
        ]

    def take(self, events) -> None:
        for event in events:
            match event:
                case Samples():
                    self.take_rows(event)
                case Resent(index=None):
                    self.unanswered += 1
                case Resent(index=index):
                    self.lose_until(unwrap(index, near=self.end))
                case Failed():
                    raise AssertionError(event.error)

    def take_rows(self, samples: Samples) -> None:
        first, layout = unwrap(samples.first_index, near=self.end), self.bench.layout
        if len(samples.rows) != layout.rows_bytes(first, samples.count):
            return
        place = 0
        for index in range(first, first + samples.count):
            size = layout.row_bytes(index)
            row = samples.rows[place : place + size]
            place += size
            assert self.rows.setdefault(index, row) == row, "two copies differ"
            assert index not in self.lost, "the logger sent what it had said would never come"
        self.end = max(self.end, first + samples.count)

    def lose_until(self, index: int) -> None:
        """Believe the logger that what is missing before `index` is gone, having looked into its ring."""
        gone = [each for each in self.missing if each < index]
        held = [range(each.first_index, each.end_index) for each in self.bench.logger._ring._held.values()]
        assert not any(each in stretch for each in gone for stretch in held), "it is still there"
        self.lost.update(gone)

    def ask(self, now: float) -> None:
        missing = self.missing
        if missing and self.host.can_ask:
            self.host.resend(missing[0], min(1024, missing[-1] - missing[0] + 1), now)


class Rig:
    """A bench's logger and a collecting host, with something that carries bytes each way between them."""

    def __init__(self, bench, carry_to_logger, carry_to_host) -> None:
        self.bench = bench
        self.carry_to_logger = carry_to_logger
        self.carry_to_host = carry_to_host
        self.now = 0.0
        host = HostLink()
        host.open(0.0)
        exchange(host, bench.logger)
        host.start(0.0)
        (started,) = (event for event in exchange(host, bench.logger) if isinstance(event, Started))
        self.collector = Collector(bench, host, started.index)

    def turn(self, count: int, limit: int) -> None:
        """Let the logger take `count` samples and the wire carry at most `limit` bytes each way."""
        host = self.collector.host
        if count:
            self.bench.sample(count)
        self.collector.ask(self.now)
        self.bench.logger.receive(self.carry_to_logger(host.outgoing()))
        self.collector.take(host.receive(self.carry_to_host(self.bench.logger.outgoing(limit)), self.now))
        self.now += TURN_S
        self.collector.take(host.expire(self.now))

    def until_nothing_is_missing(self, turns: int) -> None:
        """Go on, one sample a turn, until the latest one has been seen and none before it is missing."""
        for _ in range(turns):
            self.turn(1, ALL)
            if self.collector.end == self.bench.taken and not self.collector.missing:
                return
        raise AssertionError(f"still missing: {self.collector.missing}")

    def judge(self) -> Collector:
        """Check that every sample that was taken is there as it was taken, or known to be lost."""
        collector = self.collector
        taken = range(collector.first_index, self.bench.taken)
        assert collector.rows.keys() | collector.lost == set(taken)
        assert not collector.rows.keys() & collector.lost
        assert all(row == self.bench.rows(index, 1) for index, row in collector.rows.items())
        assert len(collector.lost) >= self.bench.logger.dropped_samples
        return collector


@pytest.mark.parametrize("trouble", [0.0, 0.0005, 0.003])
@pytest.mark.parametrize("seed", range(12))
def test_a_large_ring_loses_nothing(make_bench, seed, trouble):
    """Whatever a noisy line did to frames in both directions, all samples are had in the end."""
    random = Random(seed)  # noqa: S311  noise that can be had again
    to_logger, to_host = NoisyLine(random, trouble), NoisyLine(random, trouble)
    rig = Rig(make_bench(5000), to_logger.carry, to_host.carry)
    for _ in range(60):
        rig.turn(random.randrange(1, 25), ALL)
    rig.until_nothing_is_missing(3000)
    collector = rig.judge()
    assert not collector.lost
    assert len(collector.rows) > 600
    if trouble:
        assert to_host.faults > 0


@pytest.mark.parametrize("seed", range(30))
def test_a_small_ring_on_a_slow_line_loses_what_it_let_go(make_bench, seed):
    """A ring of 60 samples, a line that is too slow and noisy: what is lost is known to the sample."""
    random = Random(seed)  # noqa: S311  same
    to_logger, to_host = NoisyLine(random, 0.001), NoisyLine(random, 0.001)
    rig = Rig(make_bench(60), to_logger.carry, to_host.carry)
    for _ in range(120):
        rig.turn(random.randrange(1, 12), random.choice([0, 20, 50]))
    rig.until_nothing_is_missing(3000)
    collector = rig.judge()
    assert rig.bench.logger.dropped_samples > 0
    assert len(collector.rows) > 60


FATES = ["whole", "whole", "whole", "lost", "broken"]


class FrameFates:
    """Carries whole frames, loses them or flips a bit behind their checksum's back, as it was told."""

    def __init__(self, fates: list[str]) -> None:
        self._fates = iter(fates)
        self._reader = FrameReader()
        self.met: Counter[str] = Counter()

    def carry(self, sent: bytes) -> bytes:
        return b"".join(self._meet(payload) for payload in self._reader.receive(sent))

    def _meet(self, payload: bytes) -> bytes:
        fate = next(self._fates, "whole")
        self.met[fate] += 1
        if fate == "lost":
            return b""
        content = bytearray(payload + crc16(payload).to_bytes(2, "big"))
        if fate == "broken":
            content[len(content) // 2] ^= 1
        return cobs_encode(bytes(content)) + b"\0"


many_fates = st.lists(st.sampled_from(FATES), max_size=80)
turns = st.lists(st.tuples(st.integers(0, 30), st.sampled_from([0, 1, 50, 300, ALL])), max_size=40)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 200), turns, many_fates, many_fates)
def test_any_loss_is_made_good_or_known(make_bench, ring_samples, sampling, up, down):
    """For any ring, any sampling, any wire and any frames lost or broken: had, or known to be gone."""
    rig = Rig(make_bench(ring_samples), FrameFates(up).carry, FrameFates(down).carry)
    for count, limit in sampling:
        rig.turn(count, limit)
    rig.until_nothing_is_missing(1500)
    rig.judge()


@pytest.mark.parametrize("seed", range(10))
def test_lost_links(make_bench, seed):
    """A link lost again and again: the host resumes with the identity it knows and ends with all samples."""
    random = Random(seed)  # noqa: S311  same
    bench = make_bench(3000)
    rig = Rig(bench, bytes, bytes)
    collector, known = rig.collector, rig.collector.host.described
    for number in range(6):
        for _ in range(random.randrange(1, 8)):
            rig.turn(random.randrange(1, 25), random.choice([40, 200, ALL]))
        bench.logger.lose_link()
        for _ in range(random.randrange(6)):
            bench.sample(random.randrange(1, 25))
            bench.logger.outgoing(random.choice([40, ALL]))  # thrown away: nobody is there
        collector.host = HostLink(10 * number + 10)
        collector.host.open(rig.now, known.identity, known.channels)
        while collector.host.state is not HostState.STREAMING:
            rig.turn(1, ALL)
    rig.until_nothing_is_missing(200)
    assert not rig.judge().lost


def test_a_lost_end_of_a_stream_is_known(make_bench):
    """No later sample shows that the last message was lost; the index in the REPLY to STOP does."""
    bench = make_bench(100)
    rig = Rig(bench, bytes, bytes)
    rig.turn(10, ALL)
    bench.sample(10)
    bench.logger.outgoing(ALL)  # lost
    host = rig.collector.host
    host.stop(rig.now)
    stopped = exchange(host, bench.logger)[-1]
    assert stopped == Stopped(20)
    assert rig.collector.end == 10
