"""What an RC pair does against closed forms, a published example and scipy's own solver."""

import numpy as np
import pytest
from circuit_runs import EXACT, Truth, low_passed, run_of, voltage_of

from capture.run_card import RunCard
from capture.studies.circuit import fit_circuit
from capture.studies.fitted_circuit import FittedPair, polarisation
from capture.studies.relaxation import decay, relaxed_current


def test_a_step_of_a_published_parameter_set():
    """Open-circuit 3.7 V, R0 0.1, R1 0.05 ohm, C1 200 F, 2 A for 5 s: a published worked parameter set.

    V after 1 s 3.490484, at the end 3.460653; after it 3.660653, 1 s later 3.664397, 10 s later 3.685525:
    OCV - I R0 - I R1 (1 - exp(-t/tau)), then OCV - V1 exp(-t/tau).
    """
    step_s = 0.001
    times = np.arange(70_001) * step_s
    current = np.where(times < 5.0, 2.0, 0.0)
    pair = FittedPair(0.05, 0.0, 10.0, 0.0)
    voltage = 3.7 - 0.1 * current - polarisation((pair,), (0.0,), current, step_s)
    # the line from the last loaded sample to the first unloaded one is half a step of load more
    expected = {1.0: 3.490484, 4.999: 3.460653, 6.0: 3.664397, 15.0: 3.685525, 65.0: 3.699902}
    for moment, volts in expected.items():
        assert voltage[round(moment / step_s)] == pytest.approx(volts, abs=1e-5), moment


def test_the_apparent_resistance_of_a_step():
    """20 V, R0 30, R1 20 mohm, tau 15 s, 40 A: 31.290 mohm after 1 s, 39.732 after 10, 47.293 after 30."""
    current = np.full(3001, 40.0)
    apparent = 0.030 + 0.020 * relaxed_current(current, 0.01, 15.0) / 40.0
    for moment, ohm in ((1, 0.031290), (10, 0.039732), (15, 0.042642), (30, 0.047293)):
        assert apparent[moment * 100] == pytest.approx(ohm, abs=5e-7)


@pytest.mark.parametrize("tau", [0.004, 0.12, 15.0, 900.0])
def test_the_recursion_against_a_solver(tau):
    """scipy.signal.lsim of 1 / (tau s + 1) under a rough current: the same to rounding."""
    random = np.random.default_rng(3)
    times = np.arange(20_000) * 0.002
    current = np.repeat(random.uniform(-10, 60, 200), 100) + random.normal(0, 1, 20_000)
    ours = relaxed_current(current, 0.002, tau)
    np.testing.assert_allclose(ours, low_passed(current, times, tau), rtol=0, atol=1e-8)
    assert decay(3, 0.5 * tau, tau).tolist() == pytest.approx([1.0, np.exp(-0.5), np.exp(-1.0)])


def test_the_circuit_of_a_step_and_its_rest():
    """The second pack above, 40 A for 30 s and 60 s of rest: its R0, R1 and tau again, to 0.1 %."""
    truth = Truth(0.030, ((0.020, 15.0),), 1, 1e6, lambda soc: np.full_like(soc, 20.0))
    times = np.arange(50_000) * 0.002
    current = np.where((times > 5.0) & (times < 35.0), 40.0, 0.0)
    run = run_of(times, current, voltage_of(truth, current, times))
    circuit = fit_circuit(run, (), RunCard(), EXACT)
    (pair,) = circuit.branches
    assert circuit.r0.value == pytest.approx(0.030, rel=1e-3)
    assert pair.r.value == pytest.approx(0.020, rel=1e-2)
    assert pair.tau.value == pytest.approx(15.0, rel=1e-2)
