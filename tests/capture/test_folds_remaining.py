"""Remaining time against discharges whose end is known, on packs and work made here."""

from itertools import accumulate

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, fed

from capture.folds.run import RunFolds
from capture.open_circuit import nmc_voltage

SERIES, CUTOFF_V, RATE_HZ = 10, 28.0, 50
INTERVAL_US = 1_000_000 // RATE_HZ


def rundown(capacity_ah=2.5, resistance_ohm=0.11, level_a=28.0, seed=1, bend_v=0.0, slow_share=0.4):
    """Return current and voltage of a pack, cut after cut, until it is empty.

    `slow_share` of its resistance comes with a time constant of 20 s on top; `bend_v` bends the open-circuit
    curve of each group away from the one that the fold knows, most at half charge.
    """
    random, current = np.random.default_rng(seed), [0.03] * (3 * RATE_HZ)
    while sum(current) / RATE_HZ < capacity_ah * 3600:
        rest, cut = (int(random.uniform(*span) * RATE_HZ) for span in ((2.0, 3.5), (2.4, 4.6)))
        level = level_a * random.uniform(0.8, 1.2)
        current += [7.0] * (RATE_HZ // 2) + (level * (1 + 0.05 * random.normal(size=cut))).tolist()
        current += [0.03] * rest
    current = np.array(current)
    charge_state = 1 - np.cumsum(current) / RATE_HZ / (capacity_ah * 3600)
    kept = np.exp(-1 / RATE_HZ / 20.0)
    slow = list(
        accumulate(current, lambda held, now: kept * held + (1 - kept) * slow_share * resistance_ohm * now)
    )
    open_circuit = nmc_voltage(charge_state) + bend_v * np.sin(np.pi * charge_state)
    voltage = SERIES * open_circuit - resistance_ohm * current - np.array(slow)
    return current, voltage + random.normal(0, 0.003, len(current))


def end_s(current, voltage):
    """Return when the voltage under load, the mean over four seconds of work, first is below the cut-off."""
    loaded = np.flatnonzero(current >= 3.0)
    width = 4 * RATE_HZ
    means = np.convolve(voltage[loaded], np.full(width, 1 / width), "valid")
    return loaded[np.flatnonzero(means < CUTOFF_V)[0] + width - 1] / RATE_HZ


def statements(current, voltage, every_s=10):
    """Return (time, what was said then) every so often, fed as live."""
    folds, said = RunFolds(CUTOFF_V, series=SERIES), []
    for start in range(0, len(current), every_s * RATE_HZ):
        part = slice(start, start + every_s * RATE_HZ)
        folds.feed([block_of(current[part], voltage[part], first_index=start, interval_us=INTERVAL_US)])
        said.append((min(part.stop, len(current)) / RATE_HZ, folds.figures().remaining))
    return said


@pytest.mark.parametrize(
    "pack",
    [
        {"slow_share": 0.0},
        {"slow_share": 0.7},
        {"capacity_ah": 5.0, "resistance_ohm": 0.058, "seed": 2},
        {"capacity_ah": 5.0, "resistance_ohm": 0.058, "seed": 3, "level_a": 15.0},
        {"capacity_ah": 5.0, "resistance_ohm": 0.058, "seed": 4, "bend_v": 0.02},
        {"capacity_ah": 5.0, "resistance_ohm": 0.058, "seed": 5, "bend_v": -0.02},
    ],
    ids=["no slow part", "much slow part", "larger", "gentle", "curve 20 mV above", "curve 20 mV below"],
)
def test_the_range_holds_the_end(pack):
    """Nine of ten ranges hold the true end, for packs that differ from what the fold takes them for."""
    current, voltage = rundown(**pack)
    end = end_s(current, voltage)
    said = [(end - now, told) for now, told in statements(current, voltage) if told is not None and now < end]
    inside = [told.low_s <= left <= told.high_s for left, told in said]
    assert len(said) * 10 > 0.6 * end  # it speaks for most of the discharge
    assert np.mean(inside) >= 0.9
    errors = [abs(told.value_s - left) for left, told in said if left < 0.5 * end]
    assert max(errors) < 0.1 * end


def test_later_samples_change_nothing_that_was_said():
    """The first half of a discharge says the same whatever follows: rest, more work, another pack."""
    current, voltage = rundown()
    half = len(current) // 2 // (10 * RATE_HZ) * 10 * RATE_HZ
    changed = current.copy()
    changed[half:] = 0.0
    assert (
        statements(current, voltage)[: half // 10 // RATE_HZ]
        == (statements(changed, voltage)[: half // 10 // RATE_HZ])
    )
    assert any(told is not None for _, told in statements(current[:half], voltage[:half]))


def test_any_chunks_say_the_same():
    """Equal floats after a long run fed in one piece and in many."""
    current, voltage = rundown()
    rows = int(len(current) * 0.7)
    whole = block_of(current[:rows], voltage[:rows], interval_us=INTERVAL_US)
    pieces = [whole.part(start, min(start + 333, rows)) for start in range(0, rows, 333)]
    told = fed(whole, cutoff_v=CUTOFF_V, series=SERIES).remaining
    assert told is not None
    assert told == fed(*pieces, cutoff_v=CUTOFF_V, series=SERIES).remaining


def test_it_says_nothing_where_it_cannot_tell():
    """Without a cut-off, without the number of groups, at the start, and behind a gap that hid the work."""
    current, voltage = rundown()
    half = len(current) // 2
    first = block_of(current[:half], voltage[:half], interval_us=INTERVAL_US)
    rest = block_of(
        current[half : half + 2000],
        voltage[half : half + 2000],
        first_index=half + 9000,
        interval_us=INTERVAL_US,
    )
    known = {"cutoff_v": CUTOFF_V, "series": SERIES}
    assert fed(first, **known).remaining is not None
    assert fed(first, series=SERIES).remaining is None
    assert fed(first, cutoff_v=CUTOFF_V).remaining is None
    assert fed(first.part(0, 1000), **known).remaining is None
    assert fed(first, after_gap(rest), **known).remaining is None


def test_the_groups_are_counted_from_their_columns():
    """A logger that reads each group says how many there are."""
    current, voltage = rundown()
    half = len(current) // 2
    groups = {f"group_{group}_v": voltage[:half] / SERIES for group in range(1, SERIES + 1)}
    block = block_of(current[:half], voltage[:half], interval_us=INTERVAL_US, **groups)
    counted = fed(block, cutoff_v=CUTOFF_V).remaining
    assert counted == fed(block, cutoff_v=CUTOFF_V, series=SERIES).remaining is not None


def test_a_resting_pack_keeps_its_charge():
    """The pattern of work forgets: a long rest makes the time left longer, never negative or infinite."""
    current, voltage = rundown()
    half = len(current) // 2
    idle = 1200 * RATE_HZ
    working = fed(block_of(current[:half], voltage[:half], interval_us=INTERVAL_US), cutoff_v=28.0, series=10)
    resting = fed(
        block_of(
            np.append(current[:half], np.full(idle, 0.03)),
            np.append(voltage[:half], np.full(idle, 38.0)),
            interval_us=INTERVAL_US,
        ),
        cutoff_v=28.0,
        series=10,
    )
    assert resting.remaining.value_s > 10 * working.remaining.value_s
    assert np.isfinite(resting.remaining.high_s)


def test_hours_do_not_wear_the_sums_out():
    """Ten hours of light work on a large pack: the moments stay finite and the answer sensible."""
    period = np.concatenate([np.full(40, 10.0), np.full(460, 0.03)])
    current = np.tile(period, 3600) + np.random.default_rng(1).normal(0, 0.5, 500 * 3600) * (
        np.tile(period, 3600) > 1
    )
    charge_state = 0.9 - np.cumsum(current) / RATE_HZ / (12.0 * 3600)
    voltage = SERIES * nmc_voltage(charge_state) - 0.05 * current
    told = fed(
        block_of(current, voltage, interval_us=INTERVAL_US), cutoff_v=CUTOFF_V, series=SERIES
    ).remaining
    left_s = (charge_state[-1] - 0.02) * 12.0 * 3600 / current.mean()
    assert told.low_s < left_s < told.high_s
