"""Folds: the same samples give the same figures, whatever the chunks; gaps are not bridged."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logger_streams import columns_of

from capture.blocks import SampleBlock
from capture.folds import charge_energy, cuts, rest_voltage
from capture.folds.grid import GRID_SAMPLES, Grid
from capture.folds.run import RunFolds


def block_of(current, voltage, *, first_index=0, interval_us=1000, segment=0):
    count = len(current)
    return SampleBlock(
        segment,
        first_index,
        (first_index + np.arange(count, dtype=np.int64)) * interval_us,
        {"current_a": np.asarray(current, np.float32), "voltage_v": np.asarray(voltage, np.float32)},
        np.zeros(count, np.uint32),
    )


def fed(*blocks):
    folds = RunFolds()
    folds.feed(blocks)
    return folds.figures()


def noisy_run(rows=5000, seed=0):
    random = np.random.default_rng(seed)
    current = np.where(np.arange(rows) % 1500 < 600, 0.02, 30.0) + random.normal(0, 0.05, rows)
    return block_of(current, 41.0 - 0.06 * current, first_index=random.integers(0, 5000))


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32))
def test_figures_do_not_depend_on_chunks(seed):
    """Five figures or one: any cutting of the same samples gives equal floats, not nearly equal ones."""
    whole = noisy_run()
    random = np.random.default_rng(seed)
    edges = np.unique([0, len(whole), *random.integers(0, len(whole), 20)]).tolist()
    pieces = [whole.part(start, stop) for start, stop in pairwise(edges)]
    assert fed(*pieces) == fed(whole)


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


def test_missing_readings_are_stepped_over():
    """A null voltage at a slower channel's rate does not spoil the integral."""
    current, voltage = np.full(1001, 10.0), np.full(1001, 40.0)
    voltage[np.arange(1001) % 4 != 0] = np.nan
    assert fed(block_of(current, voltage)).energy.value == pytest.approx(400.0 / 3600, rel=1e-9)


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


def test_the_latest_rest_is_known_too():
    """After the load the pack rests again: that is kept beside the rest before the load."""
    current = np.concatenate([np.zeros(600), np.full(500, 30.0), np.zeros(600)])
    voltage = np.concatenate([np.full(600, 42.0), np.full(500, 39.0), np.full(600, 41.5)])
    state = rest_voltage.update(rest_voltage.RestVoltage(), block_of(current, voltage))
    assert (state.before_load.voltage_v, state.latest.voltage_v) == (42.0, 41.5)


def test_without_a_voltage_nothing_electrical_is_told():
    """Samples and time are counted; charge, energy and cuts are not made up."""
    plain = block_of(np.ones(10), np.ones(10))
    figures = fed(SampleBlock(0, 0, plain.ticks_us, {"force_n": plain.columns["current_a"]}, plain.quality))
    assert figures.samples == 10
    assert (figures.charge, figures.energy, figures.peak_current, figures.cuts) == (None, None, None, None)


def work(*stretches):
    """Current with 30 A in the given stretches of milliseconds and nothing elsewhere."""
    current = np.zeros(12_000)
    for start, stop in stretches:
        current[start:stop] = 30.0
    return block_of(current, np.full(12_000, 40.0))


@pytest.mark.parametrize(
    ("stretches", "count"),
    [
        ([], 0),
        ([(1000, 4000)], 1),
        ([(1000, 4000), (5000, 8000)], 2),
        ([(1000, 4000), (4200, 8000)], 1),
        ([(1000, 1100)], 0),
        ([(0, 12_000)], 1),
        ([(11_000, 12_000)], 1),
        ([(1000, 1100), (1300, 1350)], 1),
    ],
    ids=[
        "none",
        "one",
        "two",
        "a pause inside",
        "a blip",
        "all along",
        "running",
        "two blips close together",
    ],
)
def test_cuts(stretches, count):
    """Stretches of work are counted; pauses under 0.3 s belong to them, blips under 0.2 s are none."""
    assert fed(work(*stretches)).cuts == count


def test_cuts_use_hysteresis():
    """Between the two thresholds the earlier state holds: ripple around the upper one starts no new cut."""
    current = np.zeros(6000)
    current[1000:5000] = np.where(np.arange(4000) // 100 % 2, 2.0, 10.0)
    assert cuts.update(cuts.Cuts(), block_of(current, np.full(6000, 40.0))).count == 1
