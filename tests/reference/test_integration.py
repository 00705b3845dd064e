"""Charge and energy against closed forms and published numbers."""

import numpy as np
import pytest

from capture.blocks import SampleBlock
from capture.folds.run import RunFolds


def figures_of(times_s, current, voltage):
    count = len(times_s)
    folds = RunFolds()
    folds.feed(
        [
            SampleBlock(
                0,
                0,
                np.rint(np.asarray(times_s) * 1e6).astype(np.int64),
                {"current_a": np.asarray(current, float), "voltage_v": np.asarray(voltage, float)},
                np.zeros(count, np.uint32),
            )
        ]
    )
    return folds.figures()


def test_constant_current_falling_voltage():
    """20 A for 600 s, 20 V falling to 16 V: 216 000 J = 60.000 W.h, 3.33333 A.h; exact for the trapezoid."""
    times = np.linspace(0, 600, 6001)
    figures = figures_of(times, np.full(6001, 20.0), 20.0 - 4.0 * times / 600)
    assert figures.energy.value == pytest.approx(60.0, rel=1e-12)
    assert figures.charge.value == pytest.approx(10 / 3, rel=1e-12)


def test_the_product_is_integrated_not_the_means():
    """One second, 20 to 16 V, 0 to 40 A: trapezoid of the product 320 J (the product of means is 360)."""
    energy_j = figures_of([0.0, 1.0], [0.0, 40.0], [20.0, 16.0]).energy.value * 3600
    assert energy_j == pytest.approx(320.0, rel=1e-12)


def test_fine_sampling_of_the_product():
    """The same second sampled 1000 times: 346.667 J, the exact integral of the product."""
    times = np.linspace(0, 1, 1001)
    energy_j = figures_of(times, 40 * times, 20 - 4 * times).energy.value * 3600
    assert energy_j == pytest.approx(346.6667, abs=1e-3)


@pytest.mark.parametrize(
    ("steps", "integral"), [(10, 1.9835235375), (100, 1.9998355039), (1000, 1.9999983551)]
)
def test_trapezoid_of_a_sine(steps, integral):
    """The integral of sin from 0 to pi in n steps, closed form pi/n cot(pi/2n): the trapezoid rule."""
    times = np.linspace(0, np.pi, steps + 1)
    charge_c = figures_of(times, np.sin(times), np.ones(steps + 1)).charge.value * 3600
    assert np.pi / steps / np.tan(np.pi / 2 / steps) == pytest.approx(integral, abs=5e-11)
    assert charge_c == pytest.approx(integral, rel=1e-5)  # ticks are whole microseconds


def test_a_power_monitors_own_example():
    """288.0 W for 3600 s are 1 036 800 J = 288 W.h (data sheet SLYS023A, table 8-4: 48 V, 6 A, one hour)."""
    figures = figures_of(np.arange(0, 3601.0), np.full(3601, 6.0), np.full(3601, 48.0))
    assert figures.energy.value * 3600 == pytest.approx(1_036_800, rel=1e-12)
    assert figures.charge.value * 3600 == pytest.approx(21_600, rel=1e-12)


def test_an_offset_of_fifty_milliampere():
    """0.05 A for ten minutes is 8.33 mA.h: why the shunt is zeroed before a run (worked by hand)."""
    figures = figures_of(np.arange(0, 601.0), np.full(601, 0.05), np.full(601, 40.0))
    assert figures.charge.value * 1e3 == pytest.approx(8.333, abs=1e-3)
