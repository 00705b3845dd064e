"""Charge, energy, time to cut-off and the circuit of pulsed cells against pybamm's Thevenin model."""

import numpy as np
import pytest
from circuit_runs import EXACT, EXACT_GAINS, Truth, drawn_ah, polynomial, run_of, voltage_of
from pybamm_process import needs_pybamm
from stored_reference import made_again, stored

from capture.blocks import SampleBlock
from capture.folds.run import RunFolds
from capture.run_card import RunCard
from capture.studies.circuit import fit_circuit

INTERVAL_S = 0.002
CELL = Truth(0.012, ((0.006, 15.0), (0.010, 40.0)), 1, 3.0, polynomial, start=0.999)
GROUP = Truth(0.012, ((0.006, 15.0),), 1, 3.0, polynomial, start=0.999)
WEAK = Truth(0.018, ((0.006, 15.0),), 1, 2.55, polynomial, start=0.999)


def pulsed(until_s, interval_s=INTERVAL_S):
    """Return times and current of the stored runs: 18 A for 10 s, rest 5 s; edges lie between samples."""
    times = np.arange(round(until_s / interval_s) + 1) * interval_s
    phase = (times - 5.0) % 15.0
    # a sample that falls on the beginning of an edge still shows the level before it
    on = (times > 5.0) & (phase > 1e-6) & (phase < 10.0 + 1e-6)
    return times, np.where(on, 18.0, 0.0)


def figures_of(times, current, voltage):
    folds = RunFolds()
    columns = {"current_a": current, "voltage_v": voltage}
    ticks = np.rint(times * 1e6).astype(np.int64)
    folds.feed([SampleBlock(0, 0, ticks, columns, np.zeros(len(times), np.uint32))])
    return folds.figures()


def between(times, values, at):
    return np.interp(at, times, values)


def test_the_circuit_behind_these_runs_is_the_one_that_pybamm_solves():
    """Closed form for each pair and pybamm 26.10.1.1 (Thevenin, two RC elements) once a second: 0.2 mV."""
    reference = stored("thevenin")["one_cell"]
    times, current = pulsed(reference["cutoff_s"])
    voltage = between(times, voltage_of(CELL, current, times), reference["times_s"])
    np.testing.assert_allclose(voltage, reference["voltage_v"], rtol=0, atol=2e-4)


def test_charge_energy_and_cut_off_of_a_pulsed_cell():
    """pybamm 26.10.1.1, Thevenin: 2.5 V at 878.412 s after 2.91706 Ah and 9.25550 Wh."""
    reference = stored("thevenin")["one_cell"]
    times, current = pulsed(890.0)
    voltage = voltage_of(CELL, current, times)
    cutoff = int(np.argmax(voltage < 2.5))
    assert times[cutoff] == pytest.approx(reference["cutoff_s"], abs=INTERVAL_S)
    figures = figures_of(times[: cutoff + 1], current[: cutoff + 1], voltage[: cutoff + 1])
    assert figures.charge.value == pytest.approx(reference["charge_ah"], abs=1.5e-5)
    assert figures.energy.value == pytest.approx(reference["energy_wh"], abs=3e-5)
    assert figures.minimum_voltage.value == pytest.approx(2.5, abs=2e-3)


def test_a_weak_group_ends_the_work_while_the_pack_looks_well():
    """pybamm 26.10.1.1, a group of 2.55 Ah and 18 mohm: below 2.5 V at 746.3 s, the pack at 14.11 V."""
    reference = stored("thevenin")["five_groups"]
    times, current = pulsed(reference["times_s"][-1])
    weak, sound = voltage_of(WEAK, current, times), voltage_of(GROUP, current, times)
    np.testing.assert_allclose(
        between(times, sound, reference["times_s"]), reference["sound_v"], rtol=0, atol=2e-4
    )
    below = int(np.argmax(weak < 2.5))
    assert times[below] == pytest.approx(reference["weak_below_s"], abs=0.011)
    groups = {f"group_{number}_v": sound for number in (1, 2, 4, 5)} | {"group_3_v": weak}
    folds = RunFolds()
    pack = 4 * sound + weak
    part = slice(0, below + 1)
    columns = {"current_a": current[part], "voltage_v": pack[part]}
    columns |= {name: volts[part] for name, volts in groups.items()}
    ticks = np.rint(times[part] * 1e6).astype(np.int64)
    folds.feed([SampleBlock(0, 0, ticks, columns, np.zeros(below + 1, np.uint32))])
    lowest = folds.figures().lowest_group
    assert (lowest.group, round(lowest.voltage.value, 2)) == (3, 2.5)
    assert pack[below] == pytest.approx(reference["pack_then_v"], abs=2e-3)


@pytest.mark.parametrize("noisy", [False, True])
@pytest.mark.parametrize("known", [False, True])
def test_the_circuit_of_five_pulsed_cells_in_a_row(known, noisy):
    """R0 12, R1 6 (15 s) and R2 10 mohm (40 s) a cell, as solved by pybamm: within 2 % or two uncertainties.

    With a hobby logger's noise on the whole pack's voltage a quarter is left open of the smaller pair, so
    close are the time constants; without noise next to nothing may be.
    """
    times, current = pulsed(stored("thevenin")["one_cell"]["cutoff_s"], interval_s=0.005)
    voltage = 5 * voltage_of(CELL, current, times)
    run = run_of(times, current, voltage, random=np.random.default_rng(5) if noisy else None)
    card = RunCard(series=5, capacity_ah=3.0, chemistry="nmc") if known else RunCard()
    circuit = fit_circuit(run, (), card, EXACT_GAINS if noisy else EXACT)
    fast, slow = circuit.branches
    for figure, true in (
        (circuit.r0, 5 * 0.012),
        (fast.r, 5 * 0.006),
        (slow.r, 5 * 0.010),
        (fast.tau, 15.0),
        (slow.tau, 40.0),
    ):
        assert abs(figure.value - true) < max(0.02 * true, 2 * figure.u)
        assert figure.u < (0.25 if noisy else 0.02) * true
    end = 0.999 - drawn_ah(current, times)[-1] / 3.0
    fall_v = 5 * float(polynomial(np.array(0.999)) - polynomial(np.array(end)))
    assert abs(circuit.open_circuit.fall.value - fall_v) < max(0.005, 2 * circuit.open_circuit.fall.u)


@needs_pybamm
def test_the_stored_figures_are_made_again():
    """The script beside the stored file gives the same to the solver's tolerance."""
    again, before = made_again("thevenin"), stored("thevenin")
    for part in before:
        for name, value in before[part].items():
            np.testing.assert_allclose(again[part][name], value, rtol=1e-5, atol=1e-4, err_msg=name)
