"""Folds: the same samples give the same figures, whatever the chunks; gaps are not bridged."""

import numpy as np
import pytest
from fold_blocks import block_of, fed, pieces_of
from hypothesis import given, settings
from hypothesis import strategies as st
from logger_streams import columns_of

from capture.blocks import Quality, SampleBlock
from capture.folds import charge_energy, hysteresis, rest_voltage
from capture.folds.grid import GRID_SAMPLES, Grid
from capture.folds.run import RunFolds


def noisy_run(rows=5000, seed=0):
    random = np.random.default_rng(seed)
    current = np.where(np.arange(rows) % 1500 < 600, 0.02, 30.0) + random.normal(0, 0.05, rows)
    return block_of(current, 41.0 - 0.06 * current, first_index=random.integers(0, 5000))


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32))
def test_figures_do_not_depend_on_chunks(seed):
    """Five figures or one: any cutting of the same samples gives equal floats, not nearly equal ones."""
    whole = noisy_run()
    assert fed(*pieces_of(whole, np.random.default_rng(seed))) == fed(whole)


def test_figures_may_be_read_at_any_time():
    """Asking for figures in mid-run changes nothing that comes later."""
    whole = noisy_run()
    asked = RunFolds()
    for start in range(0, len(whole), 37):
        asked.feed([whole.part(start, min(start + 37, len(whole)))])
        asked.figures()
    assert asked.figures() == fed(whole)


@given(first=st.integers(0, 10_000), sizes=st.lists(st.integers(1, 700), min_size=1, max_size=12))
def test_the_grid_cuts_at_fixed_indices(first, sizes):
    """Cells end at multiples of 1024 or at the end of what came; no sample is lost or doubled."""
    grid, cells, index = Grid(), [], first
    for size in sizes:
        cells += grid.feed(block_of(np.ones(size), np.ones(size), first_index=index))
        index += size
    assert all(cell.end_index % GRID_SAMPLES == 0 for cell in cells)
    cells += [] if grid.tail() is None else [grid.tail()]
    assert columns_of(cells)["index"].tolist() == list(range(first, index))


def test_the_grid_cuts_at_a_pause_and_a_gap():
    """A pause of no samples leaves the indices whole: the quality bit alone tells of it."""
    block = block_of(np.ones(600), np.ones(600))
    block.quality[100], block.quality[300] = Quality.AFTER_PAUSE, Quality.AFTER_GAP
    grid = Grid()
    cells = [*grid.feed(block), grid.tail()]
    assert [len(cell) for cell in cells] == [100, 200, 300]


def test_energy_is_the_trapezoid_of_the_product():
    """Cutting into cells loses no step at the seams: numpy's trapezoid over the whole agrees to 1e-12."""
    whole = noisy_run(20_000)
    power = whole.columns["current_a"].astype(float) * whole.columns["voltage_v"].astype(float)
    expected = np.trapezoid(power, whole.ticks_us * 1e-6) / 3600
    assert fed(whole).energy.value == pytest.approx(expected, rel=1e-12)


def test_gaps_are_not_bridged():
    """Ten amperes for 2 s, of which the middle second is lost, are ten ampere-seconds, not twenty."""
    first = block_of(np.full(501, 10.0), np.full(501, 40.0))
    second = block_of(np.full(501, 10.0), np.full(501, 40.0), first_index=1500)
    figures = fed(first, second)
    assert figures.charge.value == pytest.approx(10 * 1.0 / 3600, rel=1e-9)
    assert figures.duration_s == pytest.approx(2.0)


def test_a_new_boot_is_not_joined_to_the_old():
    """The logger's clock begins anew: nothing is integrated between two segments."""
    state = charge_energy.update(charge_energy.ChargeEnergy(), block_of([10.0] * 11, [40.0] * 11))
    after = charge_energy.update(state, block_of([10.0], [40.0], first_index=11, segment=1))
    assert after.charge_c == state.charge_c


def test_returned_charge_is_kept_apart():
    """Current is positive while the pack discharges; what comes back is counted by itself."""
    current = np.concatenate([np.full(1001, 20.0), np.full(1001, -5.0)])
    figures = fed(block_of(current, np.full(len(current), 40.0)))
    assert figures.charge_discharged.value == pytest.approx(20.0 / 3600, rel=1e-3)
    assert figures.charge_returned.value == pytest.approx(5.0 / 3600, rel=1e-3)
    assert figures.charge.value == pytest.approx(
        figures.charge_discharged.value - figures.charge_returned.value
    )


def test_a_pause_is_not_bridged():
    """The logger stopped and started again: nothing is integrated in between, though no sample is lost."""
    block = block_of(np.full(200, 10.0), np.full(200, 40.0))
    block.ticks_us[100:] += 5_000_000
    block.quality[100] = Quality.AFTER_PAUSE
    assert fed(block).charge.value * 3600 == pytest.approx(10 * 0.198, rel=1e-9)


def test_noise_around_zero_is_not_returned():
    """An idle sensor is as often below zero as above: nothing was returned, and net is what it was before."""
    current = np.random.default_rng(3).normal(0, 0.05, 60_000)
    figures = fed(block_of(current, np.full(60_000, 40.0)))
    assert (figures.charge_returned.value, figures.energy_returned.value) == (0.0, 0.0)
    expected = np.trapezoid(current.astype(np.float32).astype(float), dx=1e-3) / 3600
    assert figures.charge.value == pytest.approx(expected, rel=1e-9)


@given(seed=st.integers(0, 2**32))
@settings(deadline=None, max_examples=20)
def test_net_is_discharged_minus_returned(seed):
    """Exactly, whatever current flows."""
    current = np.random.default_rng(seed).normal(0, 3, 3000)
    figures = fed(block_of(current, np.full(3000, 40.0)))
    state = charge_energy.update(charge_energy.ChargeEnergy(), block_of(current, np.full(3000, 40.0)))
    assert state.charge_c == state.charge_discharged_c - state.charge_returned_c
    assert figures.charge_returned.value > 0
    assert figures.energy.value == pytest.approx(
        figures.energy_discharged.value - figures.energy_returned.value, rel=1e-9
    )


def test_a_block_without_readings_breaks_no_seam():
    """A channel that has no reading in a whole block joins its neighbours, where so few are missing."""
    first = block_of([10.0, 10.0], [40.0, 40.0])
    hole = block_of([np.nan, np.nan], [40.0, 40.0], first_index=2)
    last = block_of([10.0, 10.0], [40.0, 40.0], first_index=4)
    state = charge_energy.ChargeEnergy()
    for block in (first, hole, last):
        state = charge_energy.update(state, block)
    assert state.charge_c == pytest.approx(0.05)


def test_a_long_silence_of_a_channel_is_not_bridged():
    """The samples came, the current did not: a second without a reading is not made up."""
    current = np.full(2001, 10.0)
    current[500:1500] = np.nan
    assert fed(block_of(current, np.full(2001, 40.0))).charge.value * 3600 == pytest.approx(10 * 0.999)


def test_missing_readings_are_stepped_over():
    """A null voltage at a slower channel's rate does not spoil the integral."""
    current, voltage = np.full(1001, 10.0), np.full(1001, 40.0)
    voltage[np.arange(1001) % 4 != 0] = np.nan
    assert fed(block_of(current, voltage), divisors={"voltage_v": 4}).energy.value == pytest.approx(
        400.0 / 3600, rel=1e-9
    )


def test_extremes_are_of_single_samples():
    """One sample of inrush is the peak, wherever it lies."""
    current, voltage = np.full(3000, 5.0), np.full(3000, 40.0)
    current[2047], voltage[1024] = 61.5, 33.25
    figures = fed(block_of(current, voltage))
    assert (figures.peak_current.value, figures.minimum_voltage.value) == (61.5, 33.25)
    assert figures.peak_power.value == 61.5 * 40.0


def test_rest_voltage_shrugs_off_outliers():
    """One wild reading in a second of rest does not move the rest voltage."""
    random = np.random.default_rng(1)
    voltage = 41.9 + random.normal(0, 0.003, 1000)
    voltage[500] = 60.0
    figures = fed(
        block_of(np.zeros(1000), voltage), block_of(np.full(500, 30.0), np.full(500, 39.0), first_index=1000)
    )
    assert figures.rest_voltage.value == pytest.approx(41.9, abs=0.0005)
    assert figures.rested_s == pytest.approx(0.999)
    assert figures.drop_from_rest.value == pytest.approx(2.9, abs=0.001)


def test_without_a_rest_there_is_no_rest_voltage():
    """A run that begins under load cannot tell; a later rest is not the one before the load."""
    current = np.concatenate([np.full(500, 30.0), np.zeros(1000)])
    figures = fed(block_of(current, np.full(1500, 39.0)))
    assert (figures.rest_voltage, figures.drop_from_rest, figures.rested_s) == (None, None, None)


def rested(block):
    """Return the state of the rest behind a block."""
    _, load = hysteresis.follow(hysteresis.Load(), block)
    return rest_voltage.update(rest_voltage.RestVoltage(), block, load)


def test_the_latest_rest_is_known_too():
    """After the load the pack rests again: that is kept beside the rest before the load."""
    current = np.concatenate([np.zeros(600), np.full(500, 30.0), np.zeros(600)])
    voltage = np.concatenate([np.full(600, 42.0), np.full(500, 39.0), np.full(600, 41.5)])
    state = rested(block_of(current, voltage))
    assert (state.before_load.voltage_v, state.latest.voltage_v) == (42.0, 41.5)


def test_a_rest_is_told_by_the_current_however_seldom_the_voltage_is_read():
    """A blip between two readings of the voltage ends the rest; the voltage is read every 50th sample."""
    current, voltage = np.zeros(2000), np.full(2000, np.nan)
    voltage[::50] = 41.0
    current[1021:1029] = 20.0
    state = rested(block_of(current, voltage))
    assert state.before_load.rested_s == pytest.approx(1.020)
    assert state.latest.rested_s == pytest.approx(0.970)
    assert state.latest.voltage_v == 41.0


def test_what_a_rest_lasted_begins_anew_behind_a_gap():
    """Nobody saw what the pack carried in the gap, so only the rest behind it is told."""
    first = block_of(np.zeros(900), np.full(900, 42.0))
    second = block_of(np.zeros(500), np.full(500, 41.9), first_index=3000)
    figures = fed(first, second)
    assert figures.rested_s == pytest.approx(0.499)
    assert figures.rest_voltage.value == pytest.approx(41.9, abs=1e-5)


def test_a_moment_of_rest_behind_a_gap_does_not_undo_the_one_before():
    """Too short to be a rest, it leaves the rest voltage that was known."""
    first = block_of(np.zeros(900), np.full(900, 42.0))
    second = block_of([*np.zeros(50), *np.full(50, 30.0)], np.full(100, 39.0), first_index=3000)
    assert fed(first, second).rest_voltage.value == 42.0


def test_current_around_the_idle_threshold_makes_no_rest():
    """Idle stretches inside a block that are too short are no rests; the load is seen."""
    current = np.where(np.arange(2000) % 2, 0.4, 1.2)
    current[:100] = 0.0
    state = rested(block_of(current, np.full(2000, 40.0)))
    assert (state.latest, state.load_seen) == (None, True)


def test_a_steady_consumption_of_half_an_ampere_is_the_idle_current():
    """Once the first window has told of it; a threshold of 0.5 A would see a load in every other reading."""
    current = np.where(np.arange(2000) % 2, 0.4, 0.6)
    assert rested(block_of(current, np.full(2000, 40.0))).latest.rested_s == pytest.approx(1.984)


def test_without_a_voltage_nothing_electrical_is_told():
    """Samples and time are counted; charge, energy and cuts are not made up."""
    plain = block_of(np.ones(10), np.ones(10))
    figures = fed(SampleBlock(0, 0, plain.ticks_us, {"force_n": plain.columns["current_a"]}, plain.quality))
    assert figures.samples == 10
    assert (figures.charge, figures.energy, figures.peak_current, figures.cuts) == (None, None, None, None)
