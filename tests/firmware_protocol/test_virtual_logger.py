"""The logger's end (SPEC 5.2)."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from itertools import pairwise

import pytest
from protocol_talk import ALL, heard, tell

from firmware_protocol.codec import encode
from firmware_protocol.counters import unwrap
from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Describe, Identify, Reply, Samples, Start, Stop
from firmware_protocol.states import LoggerState
from firmware_protocol.wire import MessageType, Status

VECTORS = json.loads((files("firmware_protocol") / "vectors" / "messages.json").read_text(encoding="utf-8"))


def test_speaks_only_when_spoken_to(bench):
    """A logger that was told nothing sends nothing, whatever it samples."""
    bench.sample(10)
    assert bench.logger.outgoing(ALL) == b""


def test_identify_and_describe_in_every_state(bench):
    """Identity and channels are told while idle and while streaming, with the id of the question."""
    for command in (Stop(1), Start(2)):
        tell(bench.logger, command, Identify(9), Describe(10, 2))
        _, identity, channel = heard(bench.logger)
        assert identity == replace(bench.identity, command_id=9)
        assert channel == replace(bench.channels[2], command_id=10)


def test_repeated_start_changes_nothing(bench):
    """START while streaming answers the first index of the running stream and does not disturb it."""
    bench.sample(5)
    tell(bench.logger, Start(1))
    bench.sample(3)
    tell(bench.logger, Start(1), Start(2))
    bench.sample(4)
    first, again, once_more, samples, more = heard(bench.logger)
    assert [first, again, once_more] == [Reply(i, MessageType.START, Status.DONE, 5) for i in (1, 1, 2)]
    assert [samples.first_index, more.first_index] == [5, 8]


def test_stop_is_answered_behind_the_last_samples(bench):
    """What waits is sent before the REPLY to STOP, which tells the index that would have come next."""
    tell(bench.logger, Start(1))
    bench.sample(3)
    bench.sample(3)
    tell(bench.logger, Stop(2), Stop(2))
    bench.sample(3)
    assert [type(each) for each in heard(bench.logger)] == [Reply, Samples, Samples, Reply]
    assert bench.logger.state is LoggerState.IDLE


def test_repeated_stop_answers_the_same_index(bench):
    """However often STOP comes, and whatever is sampled meanwhile, it answers where the stream ended."""
    tell(bench.logger, Stop(1))
    assert heard(bench.logger) == [Reply(1, MessageType.STOP, Status.DONE, 0)]
    bench.sample(2)
    tell(bench.logger, Start(2))
    bench.sample(6)
    tell(bench.logger, Stop(3), Stop(3))
    bench.sample(3)
    tell(bench.logger, Stop(4))
    *_, samples, reply = heard(bench.logger)
    assert (samples.first_index, samples.count) == (2, 6)
    assert reply == Reply(4, MessageType.STOP, Status.DONE, 8)
    bench.sample(3)
    tell(bench.logger, Stop(5))
    assert heard(bench.logger) == [Reply(5, MessageType.STOP, Status.DONE, 8)]


def test_samples_carry_what_was_taken(bench):
    """Samples carry index, tick, count, rows and the low byte of the boot id."""
    bench.sample(6)
    tell(bench.logger, Start(1))
    bench.sample(2)
    _, samples = heard(bench.logger)
    assert samples == Samples(0x42, 6, 6000, 2, bench.rows(6, 2))
    assert len(samples.rows) == bench.layout.rows_bytes(6, 2) == 4 + 7


def test_index_counts_while_idle_and_never_repeats(bench):
    """The index goes on while nothing is sent: a second stream begins where the count is."""
    firsts = []
    for _ in range(3):
        tell(bench.logger, Start(1))
        bench.sample(2)
        tell(bench.logger, Stop(2))
        bench.sample(10)
        firsts += [each.first_index for each in heard(bench.logger) if isinstance(each, Samples)]
    assert firsts == [0, 12, 24]


def test_index_and_tick_wrap(bench):
    """Index and tick travel modulo 2**32; rows go on by the whole index."""
    bench.logger._next_index = bench.taken = 2**32 - 2
    tell(bench.logger, Start(1))
    for _ in range(3):
        bench.sample(1)
    tell(bench.logger, Stop(2))
    started, *samples, stopped = heard(bench.logger)
    assert (started.index, stopped.index) == (2**32 - 2, 1)
    assert [each.first_index for each in samples] == [2**32 - 2, 2**32 - 1, 0]
    assert [each.tick_us for each in samples] == [
        index * 1000 % 2**32 for index in range(2**32 - 2, 2**32 + 1)
    ]
    for each in samples:
        whole = unwrap(each.first_index, near=2**32)
        assert len(each.rows) == bench.layout.rows_bytes(whole, 1)


def test_overrun_is_a_jump_of_the_index(make_bench):
    """A full buffer drops its oldest messages: the host sees the index jump by what was dropped."""
    bench = make_bench(ring_samples=20)
    tell(bench.logger, Start(1))
    for _ in range(4):
        bench.sample(4)
    before = heard(bench.logger)
    for _ in range(15):
        bench.sample(4)
    tell(bench.logger, Stop(2))
    *after, reply = heard(bench.logger)
    samples = [each for each in (*before, *after) if isinstance(each, Samples)]
    jumps = [later.first_index - earlier.first_index - earlier.count for earlier, later in pairwise(samples)]
    assert sum(jumps) == bench.logger.dropped_samples == 40
    assert jumps.count(0) == len(jumps) - 1
    assert sum(each.count for each in samples) + bench.logger.dropped_samples == reply.index
    assert all(each.rows == bench.rows(each.first_index, each.count) for each in samples)


def test_overrun_keeps_answers(make_bench):
    """Dropping samples drops no answer, and the answers keep their order."""
    bench = make_bench(ring_samples=4)
    tell(bench.logger, Start(1))
    bench.sample(4)
    tell(bench.logger, Identify(2))
    bench.sample(4)
    bench.sample(4)
    tell(bench.logger, Stop(3))
    assert [getattr(each, "command_id", None) for each in heard(bench.logger)] == [1, 2, None, 3]


@pytest.mark.parametrize("limit", [1, 2, 7, 64, 1000])
def test_outgoing_keeps_to_its_limit(make_bench, limit):
    """The bytes are the same whatever portions the wire takes, and no portion is larger than asked."""
    whole, parts = make_bench(), make_bench()
    for bench in (whole, parts):
        tell(bench.logger, Identify(1), Start(2))
        bench.sample(9)
        tell(bench.logger, Stop(3))
    portions = []
    while portion := parts.logger.outgoing(limit):
        portions.append(portion)
    assert all(len(portion) == limit for portion in portions[:-1])
    assert b"".join(portions) == whole.logger.outgoing(ALL)


def test_answers_do_not_pile_up(bench):
    """While the wire takes nothing, only so many answers wait; commands are obeyed all the same."""
    for number in range(1000):
        tell(bench.logger, Identify(number % 256))
    tell(bench.logger, Start(1))
    assert len(heard(bench.logger)) == 16
    assert bench.logger.state is LoggerState.STREAMING
    tell(bench.logger, Identify(5))
    assert len(heard(bench.logger)) == 1


@pytest.mark.parametrize("vector", [pytest.param(v, id=v["name"]) for v in VECTORS["refused"]])
def test_refused_vector(make_bench, vector):
    """A command that cannot be obeyed is answered with its id, its type and the status of the vector."""
    bench = make_bench(vector.get("ring_samples", 1000))
    bench.logger.receive(encode_frame(bytes.fromhex(vector["payload"])))
    expected = Reply(vector["command_id"], vector["command"], Status[vector["status"]], 0)
    assert heard(bench.logger) == [expected]
    assert bench.logger.state is LoggerState.IDLE


@pytest.mark.parametrize("payload", ["", "01", "02", "0203", "03", "04", "05", "06", "7f"])
def test_commands_too_short_are_ignored(bench, payload):
    """A command without room for its id or its fields is not obeyed and not answered."""
    bench.logger.receive(encode_frame(bytes.fromhex(payload)) if payload else b"\x03\xff\xff\0")
    assert bench.logger.outgoing(ALL) == b""


@pytest.mark.parametrize(
    "vector",
    [pytest.param(v, id=v["name"]) for v in VECTORS["messages"] if v["payload"] >= "80"]
    + [pytest.param(v, id=v["name"]) for v in VECTORS["foreign"]],
)
def test_answers_are_ignored(bench, vector):
    """What only a logger may say, in whatever version, is neither obeyed nor answered, and does not raise."""
    bench.logger.receive(encode_frame(bytes.fromhex(vector["payload"])))
    assert bench.logger.outgoing(ALL) == b""
    tell(bench.logger, Identify(1))
    assert heard(bench.logger) == [replace(bench.identity, command_id=1)]


def test_damaged_commands_are_ignored(bench):
    """A damaged command is not obeyed, not answered, and does not hide the next one."""
    frame = bytearray(encode_frame(encode(Start(1))))
    frame[2] ^= 0x10
    bench.logger.receive(bytes(frame))
    assert bench.logger.state is LoggerState.IDLE
    tell(bench.logger, Start(2))
    assert heard(bench.logger) == [Reply(2, MessageType.START, Status.DONE, 0)]
