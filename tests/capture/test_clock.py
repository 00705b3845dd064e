"""The fit of the logger's clock to the host's."""

import numpy as np
import pytest

from capture.clock import ClockFit, update


def fit_of(ticks_us, host_ns):
    fit = ClockFit()
    for tick, host in zip(ticks_us, host_ns, strict=True):
        fit = update(fit, int(tick), int(host))
    return fit


def test_a_fast_logger():
    """A clock 50 ppm fast, seen through arrivals that jitter by 2 ms, is found within its own uncertainty."""
    random = np.random.default_rng(3)
    true_s = np.arange(0, 600, 0.05)
    host = 1_700_000_000 + true_s + np.abs(random.normal(0, 0.002, len(true_s)))
    told = fit_of(true_s * (1 + 50e-6) * 1e6, host * 1e9).as_json(0)
    rate = told["rate_ppm"]
    assert abs(rate["value"] - 50) < 4 * rate["u"]
    assert rate["u"] < 0.5
    assert told["first_sample_host_ns"] * 1e-9 == pytest.approx(1_700_000_000, abs=0.003)


def test_against_numpy():
    """Slope and its standard error equal an ordinary least-squares fit by numpy."""
    random = np.random.default_rng(4)
    x = np.sort(random.uniform(0, 100, 200))
    y = x * 1.001 + random.normal(0, 0.01, 200)
    told = fit_of(np.rint(x * 1e6), np.rint(y * 1e9)).as_json(0)["rate_ppm"]
    (slope, _), covariance = np.polyfit(np.rint(x * 1e6) * 1e-6, np.rint(y * 1e9) * 1e-9, 1, cov=True)
    assert told["value"] == pytest.approx((1 / slope - 1) * 1e6, rel=1e-6)
    assert told["u"] == pytest.approx(np.sqrt(covariance[0, 0]) / slope**2 * 1e6, rel=1e-6)


def test_too_short_to_tell():
    """A second of arrivals, or none, gives no rate."""
    times = np.arange(0, 1, 0.01)
    assert fit_of(times * 1e6, times * 1e9).as_json(0) is None
    assert ClockFit().as_json(None) is None
