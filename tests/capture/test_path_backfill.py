"""The path of a logger that can send again: waiting, filling, giving up, pauses and restarts."""

from dataclasses import replace

import numpy as np
import pytest
from logger_streams import channel, logger_with, resend_reply, samples, start_reply, stop_reply

from capture.blocks import Quality
from capture.events import Ended, Ending, GapDeclared, LinkBack, LinkLost, Zero
from capture.opening import Opening
from capture.path import SamplePath
from capture.placing import Position
from capture.run import Run

SECOND_NS = 1_000_000_000


@pytest.fixture
def logger():
    return logger_with([channel()], ring_samples=1000)


@pytest.fixture
def path(logger):
    return SamplePath(logger)


@pytest.fixture
def run(logger):
    return Run(Opening(0, logger))


def indices(blocks):
    return [index for block in blocks for index in range(block.first_index, block.end_index)]


def ticks(blocks):
    return np.concatenate([block.ticks_us for block in blocks]).tolist()


def test_newer_samples_wait_for_missing_ones(path):
    """Behind a gap nothing continues the run; what has come is shown all the same."""
    arrival = path.receive([start_reply(0), samples(0, 5), samples(10, 5)])
    assert (indices(arrival.ordered), indices(arrival.fresh)) == ([*range(5)], [*range(5), *range(10, 15)])
    assert (path.missing, path.waits_from_us) == ((5, 10), 5000)
    arrival = path.receive([samples(5, 5)])
    assert (indices(arrival.ordered), indices(arrival.fresh)) == ([*range(5, 15)], [*range(5, 10)])
    assert (path.missing, path.waits_from_us) == (None, None)
    assert (path.account.recovered, path.account.lost) == (5, 0)
    assert not any(block.quality.any() for block in arrival.ordered)


def test_a_resent_message_may_overlap_what_is_there(path):
    """A logger sends whole messages again: only what is new of them counts."""
    path.receive([start_reply(0), samples(0, 5), samples(12, 5)])
    arrival = path.receive([samples(0, 5), samples(3, 6), samples(9, 5)])
    assert indices(arrival.ordered) == [*range(5, 17)]
    assert ticks(arrival.ordered) == [index * 1000 for index in range(5, 17)]
    assert (path.account.repeated_frames, path.account.recovered) == (1, 7)


def test_the_logger_says_what_is_gone(path):
    """The answer to a resend names the first sample it still had: nothing before it is waited for."""
    path.receive([start_reply(0), samples(0, 5), samples(20, 5)])
    assert indices(path.receive([resend_reply(5)]).ordered) == []
    assert indices(path.receive([resend_reply(12)]).ordered) == []
    assert path.missing == (12, 20)
    arrival = path.receive([samples(12, 8), resend_reply(12)])
    assert indices(arrival.ordered) == [*range(12, 25)]
    (gap,) = path.account.gaps
    assert (gap.first_index, gap.end_index, gap.start_tick_us, gap.end_tick_us) == (5, 12, 4000, 12000)
    assert arrival.ordered[0].quality[0] == Quality.AFTER_GAP


def test_the_last_samples_before_a_stop_can_be_missed_and_filled(path):
    """The answer to STOP tells that the tail is missing; a later start gives up what never came."""
    assert path.receive([start_reply(0), samples(0, 5), stop_reply(10)]).ordered
    assert path.missing == (5, 10)
    arrival = path.receive([start_reply(50), samples(50, 5)])
    assert (indices(arrival.ordered), path.account.lost) == ([*range(50, 55)], 5)
    assert arrival.ordered[0].quality[0] == Quality.AFTER_GAP | Quality.AFTER_PAUSE


def test_a_long_absence_is_filled_or_told(path):
    """After 100 s without a link, sampled at 0.5 % from the nominal interval, the ticks still fit."""
    path.receive([start_reply(0), samples(0, 5)])
    later = samples(100_000, 5, tick_us=100_500_000)
    arrival = path.receive([later, resend_reply(99_995), samples(99_995, 5, tick_us=100_499_975)])
    assert indices(arrival.ordered) == [*range(99_995, 100_005)]
    assert (path.account.lost, path.account.recovered, path.account.rejected_frames) == (99_990, 5, 0)


def test_a_restart_begins_a_segment(run, logger):
    """After a restart the indices begin anew, the ticks of the run go on by the host's clock."""
    first = run.receive([start_reply(0), samples(0, 5), samples(10, 5)], host_ns=SECOND_NS)
    run.apply(LinkLost(run.moment(2 * SECOND_NS), "cable"))
    again = replace(logger.identity, boot_id=8)
    second = run.receive([again], host_ns=4 * SECOND_NS)
    run.apply(LinkBack(run.moment(4 * SECOND_NS)))
    third = run.receive([start_reply(0), samples(2, 5, boot_tag=8, tick_us=777)], host_ns=4 * SECOND_NS)
    assert indices(first.ordered) == [*range(5)]
    assert indices(second.ordered) == [*range(10, 15)]
    assert [(gap.why, gap.first_index, gap.end_index) for gap in run.path.account.gaps] == [
        ("the logger started anew", 5, 10)
    ]
    assert run.path.missing == (0, 2)
    last = run.apply(Ended(run.moment(5 * SECOND_NS), "test", interrupted=False))
    assert third.ordered == []
    assert (indices(last), {block.segment for block in last}) == ([2, 3, 4, 5, 6], {1})
    assert ticks(last)[0] == 15_000 + 3_000_000
    assert last[0].quality[0] == Quality.AFTER_GAP | Quality.AFTER_RESTART
    document = run.document()
    assert [segment["boot_id"] for segment in document["segments"]] == [7, 8]
    assert document["segments"][1]["shift_us"] == 15_000 + 3_000_000 - 777
    assert [link["lost"] for link in document["links"]] == ["cable", None]


def test_between_links_samples_count_only_after_an_identity(run, logger):
    """What a logger still streams before it has said who it is belongs to nobody knows whom."""
    run.receive([start_reply(0), samples(0, 5)])
    run.apply(LinkLost(run.moment(0), "cable"))
    assert run.receive([samples(5, 5)]).fresh == []
    arrival = run.receive([logger.identity, samples(10, 5)])
    assert indices(arrival.fresh) == [*range(10, 15)]
    assert run.path.missing == (5, 10)


def test_the_limit_counts_over_a_restart(logger):
    """A run of 12 samples that restarts after 5 has 7 more."""
    run = Run(Opening(0, logger, sample_limit=12))
    run.receive([start_reply(0), samples(0, 5)])
    again = replace(logger.identity, boot_id=8)
    arrival = run.receive([again, start_reply(3), samples(3, 20, boot_tag=8)])
    assert indices(arrival.ordered) == [*range(3, 10)]
    assert run.path.complete


def test_an_ending_run_waits_for_what_is_missing(run):
    """Samples behind the wanted end are not taken; the missing ones before it may still come."""
    run.receive([start_reply(0), samples(0, 5), samples(10, 5)])
    assert run.apply(Ending(run.moment(0), 15)) == []
    assert not run.path.complete
    arrival = run.receive([samples(15, 5), samples(5, 5)])
    assert (indices(arrival.ordered), run.path.complete) == ([*range(5, 15)], True)
    assert run.path.account.repeated_frames == 0


def test_the_host_may_give_up(run):
    """A gap that the host declares is lost, for its reason."""
    run.receive([start_reply(0), samples(0, 5), samples(10, 5)])
    ordered = run.apply(GapDeclared(run.moment(0), 10, "asked for 8 times in vain"))
    assert indices(ordered) == [*range(10, 15)]
    assert [gap.why for gap in run.path.account.gaps] == ["asked for 8 times in vain"]


def test_a_run_begins_behind_samples_that_are_still_missing(logger):
    """A recording begun while newer samples wait starts with the next one, and misses nothing."""
    watched = SamplePath(logger)
    watched.receive([start_reply(0), samples(0, 5), samples(10, 5)])
    recorded = SamplePath(logger, start=watched.position)
    arrival = recorded.receive([samples(5, 5), samples(15, 5)])
    assert indices(arrival.ordered) == [*range(15, 20)]
    assert (recorded.missing, recorded.account.lost) == (None, 0)


def test_a_zero_takes_effect_at_its_sample(run):
    """Samples behind the zero are shifted, earlier ones are not, those that come late neither."""
    early = run.receive([start_reply(0), samples(0, 5), samples(10, 5)])
    run.apply(Zero(run.moment(0), "current_a", 0.25))
    late = run.receive([samples(5, 5), samples(15, 5)])
    readings = np.concatenate([block.columns["current_a"] for block in [*early.ordered, *late.ordered]])
    np.testing.assert_array_equal(readings[:15], np.float32(0.01))
    np.testing.assert_array_equal(readings[15:], np.float32(0.01 - 0.25))


def test_a_zero_from_before_the_run_counts_from_its_first_sample(logger):
    """Zeros set while nothing was recorded go into the opening; a later one replaces them."""
    run = Run(Opening(0, logger, zeros={"current_a": 0.25}))
    first = run.receive([start_reply(0), samples(0, 5)])
    run.apply(Zero(run.moment(0), "current_a", 0.5))
    second = run.receive([samples(5, 5)])
    assert set(first.ordered[0].columns["current_a"].tolist()) == {float(np.float32(0.01 - 0.25))}
    assert set(second.ordered[0].columns["current_a"].tolist()) == {float(np.float32(0.01 - 0.5))}


def test_a_zero_does_not_hide_clipping(logger):
    """Whether a channel clips is a matter of its counts, whatever its zero."""
    from decimal import Decimal

    clipping = logger_with([channel(range_high=Decimal("0.05"))], ring_samples=1000)
    run = Run(Opening(0, clipping, zeros={"current_a": 10.0}))
    arrival = run.receive([start_reply(0), samples(0, 3), samples(3, 2, row=b"\x05\x00"), samples(5, 3)])
    assert np.flatnonzero(arrival.ordered[0].quality & np.uint32(Quality.CLIPPED)).tolist() == [3, 4]
    run.apply(Ended(run.moment(0), "test", interrupted=False))
    assert run.document()["clipped"] == {"current_a": [(0, 3, 5)]}


def test_a_position_counts_on_after_a_restart(run, logger):
    """A recording begun after a restart has the ticks that the charts have."""
    run.receive([start_reply(0), samples(0, 5)], host_ns=SECOND_NS)
    again = replace(logger.identity, boot_id=8)
    run.receive([again, start_reply(0), samples(0, 5, boot_tag=8, tick_us=50)], host_ns=3 * SECOND_NS)
    start = run.path.position
    assert start == Position(8, 5, 2_010_000, 2_005_000 - 50)
    path = SamplePath(replace(logger, identity=again), start=start)
    arrival = path.receive([samples(5, 5, boot_tag=8, tick_us=5050)])
    assert ticks(arrival.ordered) == [2_010_000 + step * 1000 for step in range(5)]
