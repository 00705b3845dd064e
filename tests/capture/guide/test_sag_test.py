"""The guided sag test: what it says at each moment, which loads count, and that it never asks a clock."""

from itertools import pairwise

import numpy as np
import pytest
from bench_load_blocks import CARD, INTERVAL_NS, blocks_of
from fold_blocks import after_gap, block_of, pieces_of
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.blocks import join
from capture.guide.follower import Guide
from capture.guide.sag_test import ASKED_AFTER_S, MOST_TRIES_IN_VAIN, NO_LOAD_AFTER_S
from capture.guide.steps import REACHES_10_S, Ending, GuidePlan, Step, Trouble, TurnKind
from capture.pack_limits import AlarmKind
from capture.run_card import RunCard

SHORT = GuidePlan(repeats=2, hold_s=2.0, rest_s=3.0, recover_s=4.0)
BANK = "rest=4&on=2.5&off=5"
RATE_HZ = 100
STEP_US = 1_000_000 // RATE_HZ


def bench(*stretches, noise_v=0.003, noise_a=0.02, ohm=0.05, seed=1, offset_a=0.0, drift_v=0.0):
    """Return a block of a plain resistor behind 40 V: `stretches` are pairs of amperes and seconds."""
    random = np.random.default_rng(seed)
    current = np.concatenate([np.full(round(seconds * RATE_HZ), float(amps)) for amps, seconds in stretches])
    t_s = np.arange(len(current)) / RATE_HZ
    voltage = 40.0 - ohm * current + drift_v * np.exp(-t_s / 30.0)
    return block_of(
        current + offset_a + noise_a * random.standard_normal(len(current)),
        voltage + noise_v * random.standard_normal(len(current)),
        interval_us=STEP_US,
    )


def guided(blocks, plan=SHORT, card=CARD, interval_ns=STEP_US * 1000):
    guide = Guide(plan, card, interval_ns)
    guide.feed(blocks)
    return guide


def orders(blocks, plan=SHORT, card=CARD, interval_ns=STEP_US * 1000):
    """Return each order with its trouble as it first comes, cell by cell."""
    guide, told = Guide(plan, card, interval_ns), []
    for block in blocks:
        for start, stop in pairwise([*range(0, len(block), 20), len(block)]):
            guide.feed([block.part(start, stop)])
            report = guide.report()
            if (report.step, report.trouble) not in told[-1:]:
                told.append((report.step, report.trouble))
    return told


def kinds(guide):
    return [turn.kind for turn in guide.turns]


# as it should go


def test_the_orders_of_a_test_that_goes_well():
    block = bench((0, 4), (20, 2.5), (0, 5), (20, 2.5), (0, 5))
    once = [Step.SWITCH_ON, Step.HOLD, Step.SWITCH_OFF, Step.RECOVER]
    assert [step for step, _ in orders([block])] == [Step.REST, *once, *once, Step.ENDED]
    report = guided([block]).report()
    assert (report.ending, report.counted, report.trouble) == (Ending.COMPLETE, 2, None)
    for attempt, began_s in zip(report.attempts, (4.0, 11.5), strict=True):
        assert attempt.trouble is None
        assert attempt.began_us == pytest.approx(began_s * 1e6, abs=2 * STEP_US)
        assert (attempt.ended_us - attempt.began_us) * 1e-6 == pytest.approx(2.5, abs=0.03)
        assert attempt.current_a == pytest.approx(20.0, abs=0.01)
        assert attempt.rest_v == pytest.approx(40.0, abs=0.002)


def test_the_seconds_count_down_by_the_samples():
    block = bench((0, 4), (20, 2.5))
    guide, left = Guide(SHORT, CARD, STEP_US * 1000), {}
    for start in range(0, len(block), 20):
        guide.feed([block.part(start, start + 20)])
        report = guide.report()
        if report.seconds_left is not None:
            left.setdefault(report.step, []).append(report.seconds_left)
    assert left[Step.REST][0] == pytest.approx(2.8, abs=0.02)
    assert left[Step.HOLD][0] == pytest.approx(1.8, abs=0.03)
    for told in left.values():
        assert np.diff(told) == pytest.approx(-0.2, abs=1e-9)


def test_a_hold_of_twelve_seconds_may_be_let_go_a_little_early_and_still_reaches_ten():
    plan = GuidePlan(repeats=1, rest_s=3.0, recover_s=2.0)
    assert plan.hold_s == 12.0
    assert plan.least_hold_s == REACHES_10_S > 10.0
    enough = guided([bench((0, 4), (20, 10.8), (0, 3))], plan).report()
    assert (enough.counted, enough.ending) == (1, Ending.COMPLETE)
    early = guided([bench((0, 4), (20, 10.2), (0, 3))], plan).report()
    assert (early.counted, early.trouble) == (0, Trouble.EARLY_RELEASE)


def test_turns_lie_at_the_edges_themselves():
    guide = guided([bench((0, 4), (20, 2.5), (0, 5))])
    on, off = (
        next(turn for turn in guide.turns if turn.kind is kind)
        for kind in (TurnKind.LOAD_ON, TurnKind.LOAD_OFF)
    )
    assert abs(on.index - 400) <= 1
    assert abs(off.index - 649) <= 1
    assert (on.tick_us, off.tick_us) == (on.index * STEP_US, off.index * STEP_US)


# however the samples come


@pytest.fixture(scope="module")
def long_bench():
    """A test in which everything happens: an early release, a load that comes too soon, a gap."""
    block = join(list(blocks_of(f"amps=20&{BANK}&early=2&soon=4", 45.0)))
    return [block.part(0, 9000), after_gap(block.part(9400, len(block)))]


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), cuts=st.integers(0, 300))
def test_any_chunks_give_the_same_test(long_bench, seed, cuts):
    whole = guided(long_bench, interval_ns=INTERVAL_NS)
    random = np.random.default_rng(seed)
    pieces = [piece for block in long_bench for piece in pieces_of(block, random, cuts)]
    again = guided(pieces, interval_ns=INTERVAL_NS)
    assert again.turns == whole.turns
    assert again.report() == whole.report()
    troubles = {attempt.trouble for attempt in whole.report().attempts}
    assert troubles >= {None, Trouble.EARLY_RELEASE, Trouble.GAP}


@settings(max_examples=60, deadline=None)
@given(
    loads=st.lists(
        st.tuples(st.floats(0.5, 9.0), st.floats(0.3, 4.0), st.sampled_from([5.0, 20.0, 21.0])), max_size=9
    ),
    seed=st.integers(0, 1000),
)
def test_only_what_was_done_well_counts(loads, seed):
    """Whatever the person does: who counts had rested, was held and left to recover; the rest is named."""
    plan = GuidePlan(repeats=3, hold_s=2.0, rest_s=3.0, recover_s=4.0)
    stretches = [stretch for off_s, on_s, amps in loads for stretch in ((0, off_s), (amps, on_s))]
    block = bench(*stretches, (0, 6.0), seed=seed)
    guide = guided([block], plan)
    report = guide.report()
    well = [attempt for attempt in report.attempts if attempt.trouble is None]
    assert report.counted == len(well) <= plan.repeats
    assert kinds(guide).count(TurnKind.COUNTED) == report.counted
    assert (report.ending is Ending.COMPLETE) == (report.counted == plan.repeats)
    assert sum(attempt.trouble is not None for attempt in report.attempts) <= MOST_TRIES_IN_VAIN + 1
    current = block.columns["current_a"]
    for attempt in well:
        on, off = attempt.began_us // STEP_US, attempt.ended_us // STEP_US
        assert (off - on) / RATE_HZ >= plan.least_hold_s
        assert current[on + 1 : off - 1].min() > 3.0
        assert current[max(0, on - 300) : on - 1].max() < 1.0, "it had not rested"
        assert current[off + 2 : off + round(plan.recover_s * RATE_HZ)].max() < 1.0, "it had not recovered"
    assert np.ptp([attempt.current_a for attempt in well] or [0.0]) < 2.0, "loads of one test are alike"


# what may go wrong


def test_a_load_that_goes_too_early_is_done_again():
    block = bench((0, 4), (20, 1.0), (0, 5), (20, 2.5), (0, 5))
    told = orders([block])
    assert (Step.REST, Trouble.EARLY_RELEASE) in told
    assert (Step.SWITCH_ON, Trouble.EARLY_RELEASE) in told
    report = guided([block]).report()
    assert [attempt.trouble for attempt in report.attempts] == [Trouble.EARLY_RELEASE, None]
    assert [attempt.repeat for attempt in report.attempts] == [1, 1]


def test_a_load_before_its_time_is_sent_away():
    told = orders([bench((0, 1), (20, 2.0), (0, 5))])
    assert told[:3] == [(Step.REST, None), (Step.UNLOAD, Trouble.EARLY_LOAD), (Step.REST, Trouble.EARLY_LOAD)]


def test_a_load_that_was_sent_away_lasts_until_it_goes():
    """Before its time, not the one that was meant: what is told is how long it was really on."""
    (early,) = guided([bench((0, 1), (20, 2.0), (0, 3))]).report().attempts
    other = guided([bench((0, 5), (12, 2.5), (0, 3))], GuidePlan(load_a=20.0, hold_s=2.0, rest_s=3.0))
    for attempt, on_s in ((early, 2.0), (other.report().attempts[0], 2.5)):
        assert attempt.trouble is not None
        assert (attempt.ended_us - attempt.began_us) * 1e-6 == pytest.approx(on_s, abs=0.03)


def test_a_load_that_is_not_judged_yet_is_told_as_under_way():
    block = bench((0, 4), (20, 2.5), (0, 5))
    assert guided([block.part(0, 400)]).report().under_way is None
    held = guided([block.part(0, 560)]).report().under_way
    assert (held.ended_us - held.began_us) * 1e-6 == pytest.approx(1.6, abs=0.03)
    assert held.current_a == pytest.approx(20.0, abs=0.02)
    recovers = guided([block.part(0, 900)]).report().under_way
    assert (recovers.ended_us - recovers.began_us) * 1e-6 == pytest.approx(2.5, abs=0.03)
    done = guided([block]).report()
    assert done.under_way is None
    assert done.attempts == (recovers,)


def test_a_recovery_that_is_cut_short_takes_its_repeat_with_it():
    report = guided([bench((0, 4), (20, 2.5), (0, 2.0), (20, 1.0), (0, 1.0))]).report()
    (attempt,) = report.attempts
    assert attempt.trouble is Trouble.EARLY_LOAD
    assert (attempt.ended_us - attempt.began_us) * 1e-6 == pytest.approx(2.5, abs=0.03)


def test_a_spike_is_no_load():
    block = bench((0, 10))
    block.columns["current_a"][700] = 60.0
    assert guided([block]).report().attempts == ()


@pytest.mark.parametrize("amps", [0.1, 0.4, 0.7])
def test_a_current_too_small_for_a_load_is_told(amps):
    report = guided([bench((0, 5), (amps, 5))]).report()
    assert (report.step, report.trouble) == (Step.SWITCH_ON, Trouble.SMALL_LOAD)
    assert report.told_a == pytest.approx(amps, abs=0.02)
    assert report.need_a > amps


def test_an_offset_of_the_shunt_is_no_current():
    report = guided([bench((0, 30), offset_a=0.4)]).report()
    assert (report.step, report.trouble) == (Step.SWITCH_ON, None)


def test_a_sag_that_drowns_in_the_noise_is_told_with_what_would_do():
    block = bench((0, 5), (2, 2.5), (0, 1), noise_v=0.05, ohm=0.01)
    (attempt,) = guided([block]).report().attempts
    assert attempt.trouble is Trouble.SMALL_LOAD
    report = guided([block.part(0, 650)]).report()
    assert report.told_a == pytest.approx(2.0, abs=0.02)
    assert report.need_a is None or report.need_a > 2.0


def test_a_load_that_was_not_meant_does_not_count():
    plan = GuidePlan(repeats=2, load_a=20.0, hold_s=2.0, rest_s=3.0, recover_s=4.0)
    report = guided([bench((0, 5), (12, 2.5), (0, 5))], plan).report()
    assert [attempt.trouble for attempt in report.attempts] == [Trouble.OTHER_LOAD]
    assert report.told_a == pytest.approx(12.0, abs=0.05)
    near = guided([bench((0, 5), (17, 2.5), (0, 5))], plan).report()
    assert near.counted == 1


def test_a_voltage_that_drifts_is_waited_for():
    """Two tenths of a volt dying away in 30 s: it drifts by less than 1 mV/s after 55 s."""
    block = bench((0, 90), drift_v=-0.2)
    told = [step for step, _ in orders([block])]
    assert told == [Step.REST, Step.SETTLE, Step.SWITCH_ON]
    guide = guided([block.part(0, 2000)])
    assert guide.report().drift_v_per_s == pytest.approx(0.2 / 30 * np.exp(-17.5 / 30), rel=0.1)
    (rested,) = (turn for turn in guided([block]).turns)
    assert rested.tick_us * 1e-6 == pytest.approx(30 * np.log(0.2 / 30 / 1e-3), abs=6)


def test_no_load_is_asked_about_and_then_given_up():
    block = bench((0, NO_LOAD_AFTER_S + 10))
    after = round((SHORT.rest_s + ASKED_AFTER_S) * RATE_HZ)
    assert guided([block.part(0, after - 100)]).report().trouble is None
    assert guided([block.part(0, after + 100)]).report().trouble is Trouble.NO_LOAD
    report = guided([block]).report()
    assert (report.step, report.ending) == (Step.ENDED, Ending.NO_LOAD)


def test_too_many_loads_in_vain_end_the_test_with_the_load_off():
    short = [stretch for _ in range(MOST_TRIES_IN_VAIN + 1) for stretch in ((0, 5), (20, 1.0))]
    report = guided([bench(*short, (0, 7))]).report()
    assert report.ending is Ending.TOO_MANY_TRIES
    assert report.step is Step.ENDED
    assert report.counted == 0


@pytest.mark.parametrize(
    ("amps", "ohm", "kind"), [(70, 0.05, AlarmKind.CURRENT_HIGH), (50, 0.3, AlarmKind.VOLTAGE_LOW)]
)
def test_a_limit_stops_the_test(amps, ohm, kind):
    told = orders([bench((0, 5), (amps, 2.5), (0, 6), ohm=ohm)])
    steps = [step for step, _ in told]
    assert steps[-2:] == [Step.STOP, Step.ENDED]
    report = guided([bench((0, 5), (amps, 2.5), (0, 6), ohm=ohm)]).report()
    assert (report.alarm.kind, report.ending, report.counted) == (kind, Ending.LIMIT, 0)
    loaded = guided([bench((0, 5), (amps, 30), ohm=ohm)]).report()
    assert loaded.step is Step.STOP, "as long as the load is on it says stop"


def test_a_pack_below_its_cut_off_at_rest_is_not_loaded():
    report = guided([bench((0, 10))], card=RunCard(series=10, cutoff_v=41.0)).report()
    assert (report.step, report.ending, report.attempts) == (Step.ENDED, Ending.LIMIT, ())


def test_a_pack_that_switches_itself_off_at_its_cut_off_is_a_limit_and_no_early_release():
    """The electronics of the model's pack act within a tenth of a second, which no mean shows."""
    report = guided(blocks_of(f"amps=30&charge=4&{BANK}", 20.0), interval_ns=INTERVAL_NS).report()
    assert (report.ending, report.alarm.kind) == (Ending.LIMIT, AlarmKind.VOLTAGE_LOW)


@pytest.mark.parametrize(("lost_s", "counts"), [(0.1, True), (1.0, False)])
def test_samples_lost_in_a_hold(lost_s, counts):
    """A lost frame does no harm; a second that nobody saw does."""
    block = bench((0, 4), (20, 2.5), (0, 5))
    hole = 500 + round(lost_s * RATE_HZ)
    report = guided([block.part(0, 500), after_gap(block.part(hole, len(block)))]).report()
    assert report.counted == int(counts)
    assert [attempt.trouble for attempt in report.attempts] == [None if counts else Trouble.GAP]


def test_a_load_that_came_unseen_does_not_count():
    block = bench((0, 6), (20, 4), (0, 5))
    report = guided([block.part(0, 500), after_gap(block.part(650, len(block)))]).report()
    assert [attempt.trouble for attempt in report.attempts] == [Trouble.GAP]


def test_a_slow_logger_will_do():
    """Ten samples a second, and the voltage in every second one of them."""
    block = bench((0, 6), (20, 2.5), (0, 5), (20, 2.5), (0, 5))
    voltage = block.columns["voltage_v"][::10].copy()
    voltage[1::2] = np.nan
    slow = block_of(block.columns["current_a"][::10], voltage, interval_us=100_000)
    assert guided([slow], interval_ns=100_000_000).report().counted == 2
