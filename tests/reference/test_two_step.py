"""The two-step method against worked examples, and the closed form of a pulse."""

import numpy as np
import pytest
from simulated_pack import Pack, columns

from capture.run_card import RunCard
from capture.studies.pulse_resistance import pulse_resistance
from capture.studies.two_step import HeldCurrent, two_step_of_run, two_step_resistance
from capture.uncertainty.channels import ChannelUncertainty

EXACT = {"current_a": ChannelUncertainty(0.0, 0.0), "voltage_v": ChannelUncertainty(0.0, 0.0)}


@pytest.mark.parametrize(
    ("first", "second", "ohm"),
    [((1.0, 3.985), (5.0, 3.937), 0.012), ((2.0, 19.85), (10.0, 19.45), 0.050)],
    ids=["a cell of 5 Ah", "a pack"],
)
def test_worked_examples_either_way_round(first, second, ohm):
    """Formula of the two-step method (IEC 61960-3:2017 as quoted in secondary texts); arithmetic by hand."""
    up = two_step_resistance(HeldCurrent(*first), HeldCurrent(*second))
    down = two_step_resistance(HeldCurrent(*second), HeldCurrent(*first))
    assert up.value == pytest.approx(ohm, rel=1e-9)
    assert down == up


def test_uncertainty_of_the_worked_example():
    """u(U) = 5 mV, u(I) = 0.05 A at each reading, independent: u(R) = 0.988 mohm (JCGM 100:2008, eq. 10)."""
    found = two_step_resistance(HeldCurrent(2.0, 19.85, 0.05, 0.005), HeldCurrent(10.0, 19.45, 0.05, 0.005))
    assert found.u == pytest.approx(0.988e-3, rel=1e-3)


def test_equal_currents_give_no_result():
    assert two_step_resistance(HeldCurrent(2.0, 19.9), HeldCurrent(2.0, 19.8)) is None


def test_a_run_that_holds_the_two_currents():
    """Closed form: behind the second second the pack has R0, and of its pair what 1 s makes of the step."""
    t_s = np.arange(0, 60, 0.002)
    pack = Pack(0.050, ((0.010, 0.05),), capacity_ah=5.0, fall_v=0.0, bend_v=0.0)
    current = np.where((t_s >= 20) & (t_s < 30), 1.0, 0.0) + np.where((t_s >= 30) & (t_s < 31), 5.0, 0.0)
    run = columns(t_s, current, pack.voltage(t_s, current))
    assert two_step_of_run(run, 5.0, EXACT).value == pytest.approx(0.060, rel=1e-3)
    assert two_step_of_run(run, None, EXACT) is None
    assert two_step_of_run(run, 2.0, EXACT) is None


def test_a_load_that_does_not_hold_still_gives_none():
    t_s = np.arange(0, 60, 0.002)
    current = np.where((t_s >= 20) & (t_s < 31), 1.0 + 0.4 * (t_s - 20), 0.0)
    run = columns(t_s, current, 40.0 - 0.05 * current)
    assert two_step_of_run(run, 5.0, EXACT) is None


def test_the_table_of_a_single_pair():
    """20.0 V, R0 30 mohm, R1 20 mohm, tau 15 s, 40 A for 30 s: apparent resistance 31.290 mohm after 1 s and
    39.732 mohm after 10 s (Plett, Battery Management Systems, vol. 1, 2015, chapter 2, from memory)."""
    t_s = np.arange(0, 120, 0.002)
    current = np.where((t_s >= 10) & (t_s < 40), 40.0, 0.0)
    pack = Pack(0.030, ((0.020, 15.0),), full_v=20.0, fall_v=0.0, bend_v=0.0)
    found = pulse_resistance(columns(t_s, current, pack.voltage(t_s, current)), RunCard(), EXACT)
    assert found.pulse[1].value == pytest.approx(0.031290, rel=0.005)
    assert found.pulse[2].value == pytest.approx(0.039732, rel=0.005)
    assert found.ohmic.value == pytest.approx(0.030, rel=0.005)
