"""The sums that uncertainties follow from: noise, how V and I move together, what gaps hide."""

import numpy as np
import pytest
from fold_blocks import after_gap, block_of, divided, fed, marked

from capture.blocks import Quality

ROWS = 20_000
DIVISORS = {"group_1_v": 10}


def working(seed=1, noise_a=0.04, noise_v=0.003, ripple_a=0.0, **columns):
    """Return a run at 1 kHz: 2 s of rest and 3 s of load in turn, relaxing after each."""
    random = np.random.default_rng(seed)
    t = np.arange(ROWS) * 1e-3
    since = t % 5
    current = np.where(since > 2, 30.0 + ripple_a * random.standard_normal(ROWS), 0.0)
    relaxing = np.where(since > 2, 1 - np.exp(-(since - 2)), np.exp(-since))
    voltage = 40 - 0.05 * current - 0.5 * relaxing
    noisy_v = voltage + noise_v * random.standard_normal(ROWS)
    return block_of(current + noise_a * random.standard_normal(ROWS), noisy_v, **columns), voltage


def test_noise_at_rest_is_that_of_the_sensor():
    """Neither relaxation nor the steps at the ends of a rest enter; slower channels have their own."""
    random = np.random.default_rng(9)
    block, voltage = working(ripple_a=4.0)
    group = divided(voltage / 10 + 0.002 * random.standard_normal(ROWS), 10)
    block.columns["group_1_v"] = group.astype(np.float32)
    noise = fed(block, divisors=DIVISORS).noise
    assert noise["current_a"].at_rest == pytest.approx(0.04, rel=0.05)
    assert noise["voltage_v"].at_rest == pytest.approx(0.003, rel=0.05)
    assert noise["group_1_v"].at_rest == pytest.approx(0.002, rel=0.1)
    assert noise["current_a"].under_load == pytest.approx(4.0, rel=0.1)


def test_edges_count_only_in_the_sums_over_all_readings():
    smooth = fed(working(noise_a=0.04)[0]).noise["current_a"]
    assert smooth.under_load == pytest.approx(0.04, rel=0.2)
    assert smooth.throughout > 5 * smooth.under_load


def test_a_voltage_that_falls_before_the_current_tells_does_not_pass_for_noise():
    block, _ = working()
    block.columns["voltage_v"][:-1] = block.columns["voltage_v"][1:].copy()
    assert fed(block).noise["voltage_v"].at_rest == pytest.approx(0.003, rel=0.05)


def test_steps_without_noise_have_the_noise_of_steps():
    """A reading that stands still has none; one that flickers between two steps has about half a step."""
    still = block_of(np.zeros(3000), np.full(3000, 40.0))
    assert fed(still).noise["voltage_v"].at_rest == 0.0
    flickering = 40.0 + 0.01 * np.random.default_rng(2).integers(0, 2, 3000)
    assert fed(block_of(np.zeros(3000), flickering)).noise["voltage_v"].at_rest == pytest.approx(
        0.005, rel=0.1
    )


def test_a_short_rest_tells_no_noise():
    block = block_of(np.r_[np.zeros(20), np.full(500, 30.0)], np.full(520, 40.0))
    noise = fed(block).noise["current_a"]
    assert noise.at_rest is None
    assert noise.throughout is not None


def test_the_current_at_rest():
    told = fed(working()[0]).rest_current
    assert told.count == pytest.approx(8000, abs=20)
    assert told.mean == pytest.approx(0.0, abs=0.002)
    assert told.deviation == pytest.approx(0.04, rel=0.05)


@pytest.mark.parametrize("late", [-2, -1, 0, 1, 2])
def test_how_voltage_and_current_move_together(late):
    """The lag at which the products of changes are largest is by how much the voltage is late."""
    random = np.random.default_rng(4)
    current = 20 + 5 * random.standard_normal(5000)
    voltage = 40 - 0.06 * np.roll(current, late)
    pairing = fed(block_of(current, voltage)).pairing
    lags = {lag: pairing.correlation(lag) for lag in range(-2, 3)}
    assert min(lags, key=lags.get) == late
    assert lags[late] == pytest.approx(-1.0, abs=0.01)
    if late == 0:
        assert pairing.resistance_ohm == pytest.approx(0.06, rel=1e-3)
        assert pairing.root_mean_square_a == pytest.approx(5 * np.sqrt(2), rel=0.05)


def test_the_sums_of_products_do_not_depend_on_blocks():
    """The plain sums over the whole, from samples in cells of 1024."""
    block, _ = working(ripple_a=3.0)
    pairing = fed(block).pairing
    volts, amperes = (np.diff(block.columns[name].astype(float)) for name in ("voltage_v", "current_a"))
    assert pairing.changes == ROWS - 1
    assert pairing.product() == pytest.approx(volts @ amperes, rel=1e-9)
    assert pairing.product(2) == pytest.approx(volts[2:] @ amperes[:-2], rel=1e-6)
    assert pairing.product(-1) == pytest.approx(volts[:-1] @ amperes[1:], rel=1e-6)


def gapped(bit):
    """Return 20 A at 40 V for 3 s, a second of which is missing."""
    block = block_of(np.full(3000, 20.0), np.full(3000, 40.0))
    behind = block.part(2000, 3000)
    return [block.part(0, 1000), after_gap(behind) if bit is None else marked(behind, bit)]


def test_a_gap_hides_what_its_neighbours_drew():
    exposure = fed(*gapped(None)).exposure
    assert exposure.hidden_s == pytest.approx(1.001)
    assert exposure.hidden_c == pytest.approx(20 * 1.001)
    assert exposure.hidden_j == pytest.approx(800 * 1.001)
    assert exposure.discharged_s == pytest.approx(1.998)
    assert exposure.discharged_volt_s == pytest.approx(40 * 1.998)
    assert exposure.square_a2_s == pytest.approx(400 * 1.998)


def test_a_pause_hides_nothing():
    """The logger was stopped on purpose: the run is what it measured."""
    assert fed(*gapped(Quality.AFTER_PAUSE)).exposure.hidden_s == 0.0


def test_readings_that_are_missing_for_long_hide_as_much():
    block = block_of(np.full(3000, 20.0), np.full(3000, 40.0))
    block.columns["current_a"][1000:1100] = np.nan
    assert fed(block).exposure.hidden_c == pytest.approx(20 * 0.101)
    block.columns["current_a"][1000:1100] = 20.0
    block.columns["current_a"][1500:1502] = np.nan  # bridged
    assert fed(block).exposure.hidden_c == 0.0


def test_returned_steps_are_summed_apart():
    block = block_of(np.r_[np.full(1000, 20.0), np.full(501, -4.0)], np.full(1501, 40.0))
    exposure = fed(block).exposure
    assert exposure.returned_s == pytest.approx(0.5)
    assert exposure.returned_volt_s == pytest.approx(20.0)
    assert exposure.discharged_s == pytest.approx(1.0)
