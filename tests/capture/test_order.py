"""Blocks out of order, twice, overlapping, or never: what comes out is in order, once, and accounted for."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture import order
from capture.blocks import Quality, SampleBlock
from capture.order import Order, SampleAccount

INTERVAL_US = 100


def block(first, end, segment=0):
    index = np.arange(first, end)
    columns = {"current_a": index.astype(np.float32)}
    return SampleBlock(segment, first, index * INTERVAL_US, columns, np.zeros(end - first, dtype=np.uint32))


def indices(blocks):
    return [index for one in blocks for index in range(one.first_index, one.end_index)]


@pytest.fixture
def account():
    return SampleAccount()


@pytest.fixture
def ordered(account):
    made = Order(0, INTERVAL_US, account)
    made.begin_at(0, 0)
    return made


class Ledger:
    """The same rules sample by sample, as plainly as they can be written."""

    def __init__(self):
        self.next, self.newest, self.come, self.out, self.lost = 0, 0, set(), [], []

    def insert(self, first, end):
        self.come |= {index for index in range(first, end) if index >= self.next}
        self.newest = max(self.newest, end)
        self._release()

    def declare_lost(self, end):
        while self.next < min(end, self.newest):
            if self.next in self.come:
                self._release()
            else:
                self.lost.append(self.next)
                self.next += 1
        self._release()

    def _release(self):
        while self.next in self.come:
            self.out.append(self.next)
            self.next += 1


actions = st.lists(
    st.tuples(st.sampled_from(["insert"] * 6 + ["lose"]), st.integers(0, 60), st.integers(1, 12)), max_size=30
)


@settings(deadline=None, max_examples=300)
@given(actions=actions)
def test_any_arrival_any_loss(actions):
    """Whatever comes in whatever order: the same as a ledger kept sample by sample."""
    account = SampleAccount()
    tested, ledger, out, fresh = Order(0, INTERVAL_US, account), Ledger(), [], []
    tested.begin_at(0, 0)
    for what, first, length in actions:
        if what == "insert":
            fresh += tested.insert(block(first, first + length))
            out += tested.release()
            ledger.insert(first, first + length)
        else:
            out += tested.declare_lost(first, "test")
            ledger.declare_lost(first)
        gone = {index for gap in account.gaps for index in range(gap.first_index, gap.end_index)}
        assert indices(out) == ledger.out
        assert gone == set(ledger.lost)
        assert tested.missing == (
            None
            if ledger.next >= ledger.newest
            else (ledger.next, min((i for i in ledger.come if i > ledger.next), default=ledger.newest))
        )
        for index in range(60):
            assert tested.has(index, index + 1) == (index < ledger.next or index in ledger.come)
    assert (account.delivered, account.lost) == (len(ledger.out), len(ledger.lost))
    assert sorted(indices(fresh)) == sorted(ledger.come)
    np.testing.assert_array_equal(
        np.concatenate([[], *(one.columns["current_a"] for one in out)]), np.array(ledger.out, dtype=float)
    )


def test_a_filled_gap_leaves_no_trace(ordered, account):
    """What came late is where it belongs, its quality like any other's; that it came late is counted."""
    assert ordered.insert(block(0, 5))
    assert indices(ordered.release()) == [0, 1, 2, 3, 4]
    ordered.insert(block(8, 10))
    assert ordered.release() == []
    assert ordered.missing == (5, 8)
    ordered.insert(block(4, 9))
    released = ordered.release()
    assert indices(released) == [5, 6, 7, 8, 9]
    assert not any(one.quality.any() for one in released)
    assert (account.recovered, account.lost, account.gaps) == (3, 0, [])


def test_a_declared_gap_is_told_once(ordered, account):
    """A gap given up in two steps is one gap, from the sample before to the sample behind it."""
    ordered.insert(block(0, 5))
    ordered.insert(block(20, 25))
    out = ordered.declare_lost(10, "test")
    out += ordered.declare_lost(15, "test")
    out += ordered.declare_lost(20, "test")
    assert indices(out) == [*range(5), *range(20, 25)]
    (gap,) = account.gaps
    assert (gap.first_index, gap.end_index, gap.why) == (5, 20, "test")
    assert (gap.start_tick_us, gap.end_tick_us) == (400, 2000)
    assert [int(one.quality[0]) for one in out] == [0, Quality.AFTER_GAP]


def test_what_comes_behind_a_declared_gap_is_too_late(ordered, account):
    """A sample that was given up stays given up: the figures have gone on."""
    ordered.insert(block(5, 10))
    assert indices(ordered.declare_lost(5, "test")) == [5, 6, 7, 8, 9]
    assert ordered.insert(block(0, 5)) == []
    assert ordered.release() == []
    assert account.lost == 5


def test_waiting_is_bounded(ordered, account, monkeypatch):
    """When more waits than is kept, the oldest gap is given up by itself."""
    monkeypatch.setattr(order, "MOST_WAITING_SAMPLES", 20)
    out = []
    for first in (5, 30, 60):
        ordered.insert(block(first, first + 9))
        out += ordered.release()
    assert indices(out) == list(range(5, 14))
    assert [(gap.first_index, gap.end_index) for gap in account.gaps] == [(0, 5)]
    assert "waited" in account.gaps[0].why


def test_the_end_cuts_what_waits(ordered):
    """Nothing from the end on is taken, given out or missed."""
    ordered.insert(block(0, 5))
    ordered.insert(block(8, 20))
    ordered.end_at(10)
    assert indices(ordered.release()) == list(range(5))
    assert not ordered.complete
    ordered.insert(block(5, 8))
    assert indices(ordered.release()) == [5, 6, 7, 8, 9]
    assert ordered.complete
    assert ordered.insert(block(10, 20)) == []
    assert ordered.missing is None


def test_the_end_behind_the_newest_is_missed(ordered):
    """A later end does not move an earlier one."""
    ordered.end_at(10)
    ordered.end_at(30)
    ordered.insert(block(12, 14))
    assert ordered.missing == (0, 10)
