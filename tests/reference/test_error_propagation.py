"""Closed forms of charge, energy and sag against the GUM's general way, and against plain simulation.

The law of propagation (JCGM 100:2008, 5.1.2 and 5.2.2) is applied by numeric sensitivities to the measured
value as a function of its errors; noise and gaps are compared with a Monte Carlo (JCGM 101:2008, clause 7).
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.uncertainty.channels import ChannelUncertainty
from capture.uncertainty.electrical import (
    Electrical,
    Stretch,
    charge_u,
    difference_u,
    energy_u,
    extreme_random,
    level_u,
    mean_power_u,
    peak_power_u,
    per_ampere_u,
    percent_u,
)
from capture.uncertainty.gum import Estimate, propagate
from capture.uncertainty.known import channel_uncertainties

CURRENT = ChannelUncertainty(gain=0.006, offset=0.03, correlation=-0.6)
VOLTAGE = ChannelUncertainty(gain=0.004, offset=0.02, correlation=0.3)
SURE = ChannelUncertainty(gain=0.0, offset=0.0)
KNOWN = Electrical(CURRENT, VOLTAGE, spacing_s=0.002, scatter_a=0.0, scatter_v=0.0, lowest_over_s=0.02)
CORRELATED = {(0, 1): CURRENT.correlation, (2, 3): VOLTAGE.correlation}
ERRORS = [Estimate(0.0, u) for u in (CURRENT.gain, CURRENT.offset, VOLTAGE.gain, VOLTAGE.offset)]


def run(seed=0, rows=5000):
    """Return current and voltage of a run, one reading each 2 ms."""
    t = np.arange(rows) * KNOWN.spacing_s
    random = np.random.default_rng(seed)
    current = np.where(t % 4 > 1, 20 + 8 * np.sin(3 * t) + random.uniform(-5, 5), 0.0)
    return current, 40 - 0.06 * current - 0.1 * t


def stretch_of(current, voltage):
    dt = KNOWN.spacing_s
    sums = (current, current * voltage, voltage, current**2)
    return Stretch(len(current) * dt, *(float(one.sum()) * dt for one in sums))


def measured(of):
    """Return a figure as a function of the errors of gain and offset of both channels."""
    current, voltage = run()
    return lambda gain_i, offset_i, gain_v, offset_v: float(
        of(current * (1 + gain_i) + offset_i, voltage * (1 + gain_v) + offset_v)
    )


def test_charge_energy_and_mean_power():
    """First order: the products of two errors are left out on both sides."""
    stretch, dt = stretch_of(*run()), KNOWN.spacing_s
    charge = propagate(measured(lambda i, _v: i.sum() * dt), ERRORS, CORRELATED)
    energy = propagate(measured(lambda i, v: (i * v).sum() * dt), ERRORS, CORRELATED)
    assert charge_u(KNOWN, stretch) == pytest.approx(charge.u, rel=1e-6)
    assert energy_u(KNOWN, stretch) == pytest.approx(energy.u, rel=1e-6)
    assert mean_power_u(KNOWN, stretch) == pytest.approx(energy.u / stretch.seconds, rel=1e-6)


def test_energy_of_gains_alone_is_the_root_of_their_squares():
    """u(E) / E = sqrt(gain_I^2 + gain_V^2) (GUM 5.1.6)."""
    gains = replace(
        KNOWN, current=ChannelUncertainty(0.003, 0.0), voltage=ChannelUncertainty(0.004, 0.0), clock=0.0
    )
    stretch = stretch_of(*run())
    assert energy_u(gains, stretch) / stretch.energy_j == pytest.approx(0.005, rel=1e-9)


def test_sag_in_all_its_forms():
    """Rest minus loaded: the offset drops out, and of the percentage the gain does."""

    def sag(gain_v, offset_v):
        rest, loaded = (volts * (1 + gain_v) + offset_v for volts in (41.0, 37.5))
        return rest - loaded, 100 * (1 - loaded / rest)

    errors, correlated = ERRORS[2:], {(0, 1): VOLTAGE.correlation}
    volts = propagate(lambda g, o: sag(g, o)[0], errors, correlated)
    percent = propagate(lambda g, o: sag(g, o)[1], errors, correlated)
    assert difference_u(VOLTAGE, 3.5) == pytest.approx(volts.u, rel=1e-9)
    assert difference_u(VOLTAGE, 3.5) == pytest.approx(0.004 * 3.5)
    assert percent_u(VOLTAGE, 41.0, 37.5, 0.0, 0.0) == pytest.approx(percent.u, rel=1e-3)
    per_ampere = propagate(
        lambda gi, oi, gv, _ov: 3.5 * (1 + gv) / (50.0 * (1 + gi) + oi), ERRORS, CORRELATED
    )
    assert per_ampere_u(KNOWN, 3.5, 50.0, (0.0, 0.0, 0.0)) == pytest.approx(per_ampere.u, rel=1e-4)


def test_the_peak_power():
    told = propagate(
        lambda gi, oi, gv, ov: (60.0 * (1 + gi) + oi) * (35.0 * (1 + gv) + ov), ERRORS, CORRELATED
    )
    assert peak_power_u(KNOWN, 2100.0, 60.0, seconds=0.002) == pytest.approx(told.u, rel=1e-4)
    skewed = replace(KNOWN, current=SURE, voltage=SURE, skew_s=0.0002, slope_a_per_s=40_000.0)
    assert peak_power_u(skewed, 2100.0, 60.0, seconds=0.002) == pytest.approx(35.0 * 8.0)


def test_noise_in_charge_energy_and_resistance():
    """Monte Carlo of the noise alone, ripple that moves current and voltage together included."""
    random = np.random.default_rng(4)
    current, voltage = run(rows=1000)
    ripple = random.standard_normal((2000, 1000))
    own = random.standard_normal((2000, 1000))
    noisy_i, noisy_v = current + 2.0 * ripple, voltage - 0.12 * ripple + 0.16 * own
    known = replace(KNOWN, current=SURE, voltage=SURE, scatter_a=2.0, scatter_v=0.2, together=-0.6)
    stretch, dt = stretch_of(current, voltage), KNOWN.spacing_s
    assert charge_u(known, stretch) == pytest.approx(float((noisy_i.sum(1) * dt).std()), rel=0.05)
    energies = (noisy_i * noisy_v).sum(1) * dt
    # V and I vary over the run: their means over it stand for them
    assert energy_u(known, stretch) == pytest.approx(float(energies.std()), rel=0.1)
    loaded_v, loaded_a = noisy_v.mean(1), noisy_i.mean(1)
    per_ampere = (40.0 - loaded_v) / loaded_a
    randoms = (0.0, 0.2 / math.sqrt(1000), 2.0 / math.sqrt(1000))
    sag, amperes = float(40.0 - voltage.mean()), float(current.mean())
    assert per_ampere_u(known, sag, amperes, randoms) == pytest.approx(float(per_ampere.std()), rel=0.05)


@pytest.mark.parametrize("count", [1, 10, 300, 5000])
def test_the_highest_of_noisy_readings(count):
    """u covers what noise does to an extreme of a level, where it errs most."""
    random = np.random.default_rng(count)
    beyond = 0.3 * random.standard_normal((1000, count)).max(1)
    u = extreme_random(0.3, count)
    assert np.mean(np.abs(beyond) <= 2 * u) > 0.94
    assert u <= 1.1 * math.hypot(beyond.mean(), beyond.std())
    assert extreme_random(0.3, 1) == 0.3


def test_chopping_between_the_samples_of_means():
    """The product of means is too high by R var(I): for a known ripple that lies inside the bound."""
    random = np.random.default_rng(7)
    inside = 30 * (1 + 0.25 * math.sqrt(2) * np.sin(random.uniform(0, 2 * np.pi, (500, 400))))
    volts = 40 - 0.06 * inside
    means = inside.mean(1) * volts.mean(1)
    too_high = float((means - (inside * volts).mean(1)).sum()) * KNOWN.spacing_s
    stretch = stretch_of(inside.mean(1), volts.mean(1))
    known = replace(KNOWN, current=SURE, voltage=SURE, averaged=True, resistance_ohm=0.06)
    assert 0 < too_high < 2 * energy_u(known, stretch)
    assert energy_u(replace(known, averaged=False), stretch) == 0.0


def test_steps_that_no_noise_dithers_act_like_an_offset():
    """step / sqrt(12), however many readings; with noise of half a step the mean sees between the steps."""
    coarse = ChannelUncertainty(0.0, 0.0, noise=0.01, resolution=0.1)
    assert coarse.of_mean(10_000) == pytest.approx(0.1 / math.sqrt(12), rel=1e-4)
    dithered = replace(coarse, noise=0.05)
    assert dithered.of_mean(10_000) == pytest.approx(0.0005)
    assert level_u(coarse, 40.0, coarse.of_mean(1)) == pytest.approx(math.hypot(0.01, 0.1 / math.sqrt(12)))


@given(
    scale=st.floats(0.01, 2.0) | st.floats(-2.0, -0.01),
    offset=st.floats(-100.0, 100.0),
    raw=st.floats(0.0, 1000.0),
    across=st.floats(-0.9, 0.9),
)
def test_a_calibration_is_an_error_about_zero(scale, offset, raw, across):
    """Whatever the raw reading at zero: u of x = s raw + o by gain and offset is that by s and o."""
    entry = {"column": "current_a", "scale": scale, "offset": offset, "u_scale": 0.002, "u_offset": 0.05}
    document = {
        "channels": [{"column": "current_a", "scale": "0.001"}],
        "calibrations": [{**entry, "correlation": across}],
    }
    known = channel_uncertainties(document)["current_a"]
    told = propagate(
        lambda s, o: s * raw + o, [Estimate(scale, 0.002), Estimate(offset, 0.05)], {(0, 1): across}
    )
    assert known.common(told.value, 1.0) == pytest.approx(told.u, rel=1e-6, abs=1e-9)
    assert not known.assumed
