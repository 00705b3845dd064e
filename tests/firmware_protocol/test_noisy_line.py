"""Both ends over a line that loses, changes and repeats bytes in both directions (SPEC 5).

The noise comes from seeds, so that a run that fails can be run again.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest
from protocol_talk import NoisyLine

from firmware_protocol.counters import unwrap
from firmware_protocol.errors import RemoteProtocolError
from firmware_protocol.host_link import Described, Failed, HostLink, Started, Stopped
from firmware_protocol.messages import Samples
from firmware_protocol.states import HostState


class Conversation:
    """A host and a bench's logger with a noisy line between them; the clock is the host's deadlines."""

    def __init__(self, bench, seed: int, trouble: float) -> None:
        random = Random(seed)  # noqa: S311  noise that can be had again
        self.bench = bench
        self.host = HostLink()
        self.now = 0.0
        self.to_logger = NoisyLine(random, trouble)
        self.to_host = NoisyLine(random, trouble)
        self.sent: list[Samples] = []

    def round_trip(self) -> list[object]:
        """Carry what both ends have to say; when both are silent, go to the host's deadline."""
        self.bench.logger.receive(self.to_logger.carry(self.host.outgoing()))
        wire = self.bench.logger.outgoing(1 << 20)
        if wire:
            return self.host.receive(self.to_host.carry(wire), self.now)
        deadline = self.host.next_deadline()
        assert deadline is not None, f"nothing will ever happen: {self.host.state}"
        self.now = max(self.now, deadline)
        return self.host.expire(self.now)

    def until(self, *ends: type) -> list[object]:
        """Return the events up to one of the kinds `ends` or a failure."""
        events: list[object] = []
        for _ in range(1000):
            events += self.round_trip()
            if any(isinstance(event, (*ends, Failed)) for event in events):
                return events
        raise AssertionError(f"no end in sight: {self.host.state}")

    def stream(self, messages: int) -> list[object]:
        """Let the logger sample and send; return what the host makes of it."""
        events: list[object] = []
        for _ in range(messages):
            first = self.bench.taken
            self.bench.sample(20)
            rows = self.bench.rows(first, 20)
            self.sent.append(Samples(0x42, first, first * 1000, 20, rows))
            wire = self.to_host.carry(self.bench.logger.outgoing(1 << 20))
            events += self.host.receive(wire, self.now)
        return events


def converse(bench, seed: int, trouble: float) -> tuple[Conversation, list[object]]:
    """Open, stream and stop; return the conversation and all its events."""
    conversation = Conversation(bench, seed, trouble)
    host = conversation.host
    host.open(0.0)
    events = conversation.until(Described)
    if host.state is HostState.READY:
        host.start(conversation.now)
        events += conversation.until(Started)
    if host.state is HostState.STREAMING:
        events += conversation.stream(20)
        host.stop(conversation.now)
        events += conversation.until(Stopped)
    return conversation, events


def outcome(events: list[object]) -> str:
    """Return how a conversation ended, having checked that only the protocol's own failures occur."""
    failures = [event for event in events if isinstance(event, Failed)]
    if not failures:
        return "stopped"
    (failed,) = failures
    assert isinstance(failed.error, RemoteProtocolError)
    return type(failed.error).__name__


@pytest.mark.parametrize(
    ("trouble", "least_stopped", "most_stopped"),
    [(0.0, 60, 60), (0.0003, 60, 60), (0.002, 54, 60), (0.008, 6, 54), (0.03, 0, 6)],
)
def test_reaches_its_end_or_fails_with_a_protocol_error(make_bench, trouble, least_stopped, most_stopped):
    """Over 60 noisy lines each conversation streams and stops, or fails with NoReply.

    A CHANNEL of some 80 bytes gets through with (1 - 3 trouble)**86. Eight attempts all miss in one of
    10**9 at 0.0003, in one of 1400 at 0.002 and in a seventh at 0.008; three channels have to be told.
    """
    ends = Counter(outcome(converse(make_bench(), seed, trouble)[1]) for seed in range(60))
    assert set(ends) <= {"stopped", "NoReply"}
    assert least_stopped <= ends["stopped"] <= most_stopped


@pytest.mark.parametrize("trouble", [0.0, 0.0003, 0.002, 0.008])
def test_no_false_samples(make_bench, trouble):
    """Samples whose rows fill them are samples that were sent; in quiet, all of them, and in order."""
    for seed in range(30):
        bench = make_bench()
        conversation, events = converse(bench, seed, trouble)
        received = [event for event in events if isinstance(event, Samples)]
        for each in received:
            whole = unwrap(each.first_index, near=bench.taken)
            fills = len(each.rows) == bench.layout.rows_bytes(whole, each.count)
            assert each in conversation.sent or not fills
        if trouble == 0.0:
            assert received == conversation.sent
            assert len(received) == 20


def test_no_samples_behind_stopped(make_bench):
    """Once Stopped has come, no samples follow, however often a burst was repeated."""
    for seed in range(30):
        conversation, events = converse(make_bench(), seed, 0.002)
        kinds = [type(event) for event in events]
        assert Samples not in kinds[kinds.index(Stopped) :]
        late = conversation.host.receive(conversation.bench.logger.outgoing(1 << 20), conversation.now)
        assert not any(isinstance(event, Samples) for event in late)


def test_the_line_is_noisy():
    """The noise of these tests is there: about three faults in a thousand bytes at a trouble of 0.001."""
    line = NoisyLine(Random(1), 0.001)  # noqa: S311  same
    for _ in range(100):
        line.carry(bytes(1000))
    assert 250 < line.faults < 350
