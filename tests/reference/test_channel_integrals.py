"""Channel integrals and their means against closed forms; units by NIST SP 811 (2008), appendix B.8."""

import numpy as np
import pytest
from fold_blocks import block_of, divided, fed

ROWS = 60_001  # one minute at 1 kHz, both ends included


def channel_of(readings, divisor=1):
    return fed(block_of(force_n=divided(readings, divisor)), divisors={"force_n": divisor}).channels[
        "force_n"
    ]


@pytest.mark.parametrize("divisor", [1, 12, 100])
def test_a_constant(divisor):
    """c T, exact for the trapezoid, whatever the rate; 12 divides 60 000."""
    told = channel_of(np.full(ROWS, 12.5), divisor)
    assert (told.covered_s, told.mean) == (pytest.approx(60.0, rel=1e-12), pytest.approx(12.5, rel=1e-12))
    assert told.integral == pytest.approx(750.0, rel=1e-12)


@pytest.mark.parametrize("divisor", [1, 12, 100])
def test_a_ramp(divisor):
    """k T**2 / 2, exact for the trapezoid; the readings are exact in float32 (eighths)."""
    told = channel_of(np.arange(ROWS) / 8, divisor)
    assert told.integral == pytest.approx(0.5 * 60 * 60_000 / 8, rel=1e-12)
    assert told.mean == pytest.approx(60_000 / 16, rel=1e-12)


@pytest.mark.parametrize("divisor", [1, 10, 100])
def test_a_half_sine(divisor):
    """The integral of sin over half a period of T is 2 T / pi; of n steps (T/n) cot(pi/2n): the trapezoid."""
    told = channel_of(np.sin(np.pi * np.arange(ROWS) / (ROWS - 1)), divisor)
    steps = (ROWS - 1) // divisor
    assert told.integral == pytest.approx(60 / steps / np.tan(np.pi / 2 / steps), rel=2e-7)
    assert told.integral == pytest.approx(2 * 60 / np.pi, rel=1e-5)


@pytest.mark.parametrize("divisor", [1, 10, 100])
def test_an_exponential(divisor):
    """tau (1 - exp(-T/tau)) with tau 15 s; the trapezoid of it is h/2 coth(h/2 tau) times that over tau."""
    tau, step = 15.0, 1e-3 * divisor
    told = channel_of(np.exp(-np.arange(ROWS) * 1e-3 / tau), divisor)
    exact = tau * (1 - np.exp(-60 / tau))
    trapezoid = exact / tau * step / 2 / np.tanh(step / 2 / tau)
    assert told.integral == pytest.approx(trapezoid, rel=2e-7)
    assert told.integral == pytest.approx(exact, rel=1e-5)


def test_hours_of_a_divided_current():
    """20 A for a minute in every 4th sample are 1200 C, a third of an A.h (SP 811: A.h is 3.6 E+03 C)."""
    block = block_of(divided(np.full(ROWS, 20.0), 4), np.full(ROWS, 18.0))
    figures = fed(block, divisors={"current_a": 4})
    assert figures.charge.value == pytest.approx(1200 / 3.6e3, rel=1e-12)
    assert figures.energy.value == pytest.approx(1200 * 18 / 3.6e3, rel=1e-12)
