"""Speed: how it is known, which readings are suspect, and what counts as working."""

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, fed
from hypothesis import given
from hypothesis import strategies as st

from capture.folds.run import RunFolds
from capture.folds.speed import SpeedState


def speed_of(speed, current=None, **settings):
    return fed(block_of(current, None, speed_rpm=speed), **settings).speed


def electrical(speed, current):
    return fed(block_of(current, np.full(len(current), 40.0), speed_rpm=speed)).speed


@pytest.mark.parametrize(
    ("speed", "current", "how"),
    [
        (3000.0, 20.0, SpeedState.TURNING),
        (0.0, 20.0, SpeedState.STALLED),
        (0.0, 0.0, SpeedState.STILL),
        (np.nan, 20.0, SpeedState.NO_PULSE),
    ],
)
def test_how_the_speed_is_known(speed, current, how):
    """Turning, stalled under current, standing still without, or without a pulse."""
    assert electrical([1000.0, speed], [current, current]).how is how


def test_without_pulses_there_is_a_bound_that_falls():
    """Never the last value: 60 / (p T) after T; 0.1 s and 2 pulses a turn allow 300 rpm, 1 s allows 30."""
    speed = np.full(2001, np.nan)
    speed[:1001] = 4000.0
    for silent, bound in ((100, 300.0), (1000, 30.0)):
        told = speed_of(speed[: 1001 + silent], pulses_per_turn=2)
        assert (told.now, told.how) == (None, SpeedState.NO_PULSE)
        assert told.at_most == pytest.approx(bound)
    assert speed_of(speed).at_most == pytest.approx(60.0)


def test_the_bound_counts_from_behind_a_gap():
    """Pulses may have come in the gap: only the silence that was heard counts."""
    first = block_of(speed_rpm=np.full(100, 4000.0))
    second = after_gap(block_of(speed_rpm=np.full(101, np.nan), first_index=2000))
    assert fed(first, second).speed.at_most == pytest.approx(600.0)


def test_rows_between_the_readings_are_no_silence():
    """A divided channel is silent only where it was due."""
    speed = np.full(1009, np.nan)
    speed[::10] = 3000.0
    told = speed_of(speed, divisors={"speed_rpm": 10})
    assert (told.how, told.now, told.at_most) == (SpeedState.TURNING, 3000.0, None)
    assert speed_of(np.append(speed, [np.nan, np.nan]), divisors={"speed_rpm": 10}).now is None


@pytest.mark.parametrize("wrong", [2.0, 0.5])
@pytest.mark.parametrize("at", [500, 1023, 1024])
def test_a_reading_that_doubles_or_halves_and_goes_back_is_suspect(wrong, at):
    """Counted, and out of mean and extremes, also at the seams of the grid."""
    speed = np.full(3000, 3000.0)
    speed[at] *= wrong
    figures = fed(block_of(speed_rpm=speed))
    assert figures.speed.suspect_readings == 1
    told = figures.channels["speed_rpm"]
    assert (told.lowest, told.highest) == (3000.0, 3000.0)
    assert told.mean == pytest.approx(3000.0, rel=1e-12)


def test_a_true_change_is_no_suspect():
    """Half the speed from one reading to the next, and it stays: one is set aside, none is suspect."""
    speed = np.full(3000, 4000.0)
    speed[1500:] = 2000.0
    figures = fed(block_of(speed_rpm=speed))
    assert (figures.speed.suspect_readings, figures.channels["speed_rpm"].readings) == (0, 2999)
    assert figures.channels["speed_rpm"].lowest == 2000.0


def test_a_doubtful_newest_reading_is_not_shown():
    """Until the next one tells, the speed is the one before it."""
    assert speed_of([3000.0, 3010.0, 6010.0]).now == 3010.0
    assert speed_of([3000.0, 3010.0, 6010.0, 6000.0]).now == 6000.0


def test_every_second_reading_doubled():
    """Each of them is counted once, and the true ones are kept."""
    speed = np.full(101, 3000.0)
    speed[1::2] = 6000.0
    figures = fed(block_of(speed_rpm=speed))
    assert (figures.speed.suspect_readings, figures.channels["speed_rpm"].highest) == (50, 3000.0)


def test_a_slow_rotor_may_double():
    """Below 100 rpm a tool comes to rest: 10, 20, 10 is nothing to doubt."""
    assert speed_of([10.0, 20.0, 10.0]).suspect_readings == 0


@given(st.lists(st.sampled_from([0.0, 900.0, 1000.0, 1900.0, 2000.0, 4000.0, np.nan]), max_size=60))
def test_screening_one_by_one(readings):
    """The rule of the docstring, written down one reading at a time, finds and keeps the same."""

    def jumps(one, other):
        return min(one, other) >= 100 and 1.8 <= max(one, other) / min(one, other) <= 2.2

    kept, aside, suspects = [], None, 0
    for value in (value for value in readings if not np.isnan(value)):
        if aside is None:
            if kept and jumps(value, kept[-1]):
                aside = value
                continue
        elif jumps(value, aside) and abs(value - kept[-1]) <= 0.2 * kept[-1]:
            suspects += 1
        kept.append(value)
        aside = None
    if not readings:
        return
    figures = fed(block_of(speed_rpm=readings))
    assert figures.speed.suspect_readings == suspects
    assert figures.channels["speed_rpm"].readings == len(kept)


def test_working_and_no_load():
    """Free at 4200 rpm and 7 A, cutting at 3300 rpm and 30 A: no load is less than a third of the peak."""
    current, speed = np.full(9000, 0.0), np.full(9000, 0.0)
    current[1000:2000], speed[1000:2000] = 7.0, 4200.0
    current[2000:6000], speed[2000:6001] = 30.0, 3300.0
    current[1000:1020] = 48.0
    told = electrical(speed, current)
    assert (told.highest_no_load, told.lowest_working) == (4200.0, 3300.0)
    assert told.working_mean == pytest.approx((0.5 * 4200 + 4 * 3300) / 4.5, rel=1e-3)
    assert told.mean == pytest.approx((1.0 * 4200 + 4 * 3300) / 8.999, rel=1e-3)


def test_a_faster_gear_under_load_is_no_load_speed_of_nothing():
    """5000 rpm at 30 A is work, 4000 rpm at 7 A is free running, whichever is faster."""
    current, speed = np.full(4000, 30.0), np.full(4000, 5000.0)
    current[2000:], speed[2000:] = 7.0, 4000.0
    assert electrical(speed, current).highest_no_load == 4000.0


def test_a_stall_in_a_cut_is_its_lowest_speed():
    """The blade jams for 0.2 s: lowest while working is zero, which the run-up would not have told."""
    current, speed = np.full(4000, 0.0), np.zeros(4000)
    current[500:3500] = 30.0
    speed[600:3600] = 3000.0
    speed[2000:2200] = 0.0
    assert electrical(speed, current).lowest_working == 0.0
    speed[2000:2200] = 3000.0
    assert electrical(speed, current).lowest_working == 3000.0


def test_what_was_said_of_the_speed_stays():
    """Suspects and the highest no-load speed only grow."""
    random = np.random.default_rng(2)
    speed = np.where(random.random(4000) < 0.02, 2, 1) * 3000 + random.normal(0, 5, 4000)
    folds, suspects, highest = RunFolds(), 0, 0.0
    for start in range(0, 4000, 100):
        part = slice(start, start + 100)
        folds.feed([block_of(np.where(speed[part] > 0, 5.0, 0), speed_rpm=speed[part], first_index=start)])
        told = folds.figures().speed
        assert told.suspect_readings >= suspects
        assert (told.highest_no_load or 0.0) >= highest
        suspects, highest = told.suspect_readings, told.highest_no_load or 0.0
    assert suspects > 30
