"""A plateau is told from drift, steps, bumps and clipping; the u of its mean covers the truth."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.plateau import plateau_of

T = np.arange(2500) * 0.002


def noise(seed=1, size=0.05):
    return size * np.random.default_rng(seed).standard_normal(len(T))


def test_noise_about_a_level_is_a_plateau():
    found = plateau_of(T, 20 + noise())
    assert found.why_not is None
    assert found.mean == pytest.approx(20, abs=0.005)
    assert found.noise == pytest.approx(0.05, rel=0.05)
    assert abs(found.drift) < 0.01
    assert found.seconds == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        (0.1 * T, "drifts by 0.5"),
        (np.where(T > 4, 2.0, 0.0), "does not hold still"),
        (np.where((T > 2) & (T < 3), 1.0, 0.0), "moves by"),
        (0.5 * np.exp(-T), "does not hold still"),
    ],
    ids=["drift", "step", "bump", "settling"],
)
def test_what_moves_is_refused_with_its_reason(shape, words):
    assert words in plateau_of(T, 20 + shape + noise()).why_not


def test_a_slow_drift_within_the_noise_is_refused_too():
    """0.1 A in 5 s, twice the noise of one reading, shows in the means of its fifths."""
    assert "drifts" in plateau_of(T, 0.02 * T + noise()).why_not


def test_a_clipped_reading_is_refused():
    clipped = np.zeros(len(T), bool)
    clipped[100:103] = True
    assert "stands at an end of its range in 3 of 2500" in plateau_of(T, 20 + noise(), clipped).why_not


def test_too_few_readings_are_none():
    assert "has only 3 readings" in plateau_of(T[:3], np.ones(3)).why_not
    assert plateau_of(T[:3], np.full(3, np.nan)) is None


def test_missing_readings_are_passed_over():
    readings = 20 + noise()
    readings[::2] = np.nan
    found = plateau_of(T, readings)
    assert found.readings == len(T) // 2
    assert found.why_not is None


def test_one_count_to_and_fro_is_still():
    """Steps that no noise blurs: the mean is known to a step's rectangle, and no better."""
    readings = np.where(T > 3.7, 20.02, 20.0)
    found = plateau_of(T, readings, step=0.02)
    assert found.why_not is None
    assert found.u >= 0.02 / 12**0.5
    assert plateau_of(T, np.full(len(T), 20.0), step=0.02).u == pytest.approx(0.02 / 12**0.5)


def test_noise_is_hardly_ever_taken_for_drift():
    refused = sum(plateau_of(T, 0.0 + noise(seed)).why_not is not None for seed in range(500))
    assert refused <= 5


def test_two_u_cover_the_level():
    inside = [
        abs(plateau_of(T, noise(seed)).mean) <= 1.96 * plateau_of(T, noise(seed)).u for seed in range(500)
    ]
    assert 0.93 <= np.mean(inside) <= 1.0


def test_noise_that_hangs_together_widens_u():
    """Each reading like the one before it: 2500 of them are worth far fewer."""
    inside = []
    for seed in range(300):
        random = np.random.default_rng(seed)
        slow = np.repeat(0.05 * random.standard_normal(25), 100)
        found = plateau_of(T, 20 + slow + noise(seed + 1000, 0.005))
        inside.append(abs(found.mean - 20) <= 1.96 * found.u)
    assert np.mean(inside) >= 0.85


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60))
def test_any_readings_give_numbers(readings):
    found = plateau_of(np.arange(len(readings)) * 0.1, np.array(readings))
    numbers = (found.mean, found.noise, found.drift, found.wander, found.u)
    assert all(np.isfinite(number) for number in numbers)
