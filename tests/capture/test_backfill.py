"""What is asked for again, how often, and when it is given up."""

import pytest

from capture.engine.backfill import LONGEST_WAIT_S, MOST_ATTEMPTS, Ask, Backfill, GiveUp
from firmware_protocol.wire import MAX_RESEND_SAMPLES


@pytest.fixture
def backfill():
    return Backfill()


def test_nothing_missing_nothing_asked(backfill):
    """A whole run is left alone."""
    assert backfill.next_step(None, 0.0) is None


def test_the_earliest_samples_are_asked_for(backfill):
    """The question names the gap, at most what the protocol allows at a time."""
    assert backfill.next_step((10, 40), 0.0) == Ask(10, 30)
    assert backfill.next_step((40, 40 + 5000), 0.0) == Ask(40, MAX_RESEND_SAMPLES)


def test_a_damaged_answer_is_asked_for_again(backfill):
    """As long as the gap's beginning does not come it is asked for so many times, then given up."""
    for _ in range(MOST_ATTEMPTS):
        assert backfill.next_step((10, 40), 0.0) == Ask(10, 30)
    assert backfill.next_step((10, 40), 0.0) == GiveUp(40, f"asked for {MOST_ATTEMPTS} times in vain")


def test_each_sample_that_comes_begins_anew(backfill):
    """Progress counts: a noisy line is asked on and on while it brings something."""
    for first in range(10, 40):
        assert backfill.next_step((first, 40), first * 1.0) == Ask(first, 40 - first)


def test_waiting_is_bounded_in_time(backfill):
    """A logger that answers slowly is not waited for without end."""
    backfill.next_step((10, 40), 0.0)
    assert isinstance(backfill.next_step((10, 40), LONGEST_WAIT_S + 0.1), GiveUp)


def test_a_gap_that_was_given_up_does_not_burden_the_next(backfill):
    """The next gap has all its attempts."""
    for _ in range(MOST_ATTEMPTS + 1):
        backfill.next_step((10, 40), 0.0)
    assert backfill.next_step((90, 99), 0.0) == Ask(90, 9)


def test_time_without_a_link_does_not_count(backfill):
    """After a pulled cable the asking begins anew."""
    backfill.next_step((10, 40), 0.0)
    backfill.link_lost()
    assert backfill.next_step((10, 40), LONGEST_WAIT_S * 5) == Ask(10, 30)
