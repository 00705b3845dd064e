"""The skew between two channels, and the forms in which resistances change within a run."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_packs import random_run
from simulated_pack import columns

from capture.studies.drift import drift_forms
from capture.studies.skew import skew_of


@pytest.mark.parametrize("true", [-1.0, -0.5, 0.3, 1.0])
def test_a_skew_is_told_to_a_tenth_of_an_interval(true):
    for seed in (1, 6, 7):
        skew = skew_of(random_run(seed, duty="cuts", skew=true, missing=False).columns)
        assert abs(skew.intervals - true) < max(0.1, 3 * skew.u)
        assert skew.later_s == pytest.approx(skew.intervals * skew.interval_s)


def test_channels_read_at_once_have_none():
    for seed in range(10):
        assert skew_of(random_run(seed, duty="cuts").columns).intervals == 0


@pytest.mark.parametrize("current", [0.0, 30.0], ids=["rest", "steady"])
def test_without_edges_nobody_can_say(current):
    t_s = np.arange(0, 20, 0.002)
    noise = np.random.default_rng(0).normal(0, 0.1, len(t_s))
    assert skew_of(columns(t_s, current + noise, 40 - 0.05 * noise)) is None
    assert skew_of(columns(t_s[:9], noise[:9], noise[:9])) is None


@settings(max_examples=40, deadline=None)
@given(st.floats(-1e4, 1e5), st.floats(0.0, 5e4), st.floats(100.0, 5e4))
def test_forms_have_no_mean_and_longer_runs_have_more(low, span, capacity):
    forms = drift_forms((low, low + span), capacity)
    evenly = forms.at(np.linspace(forms.knots_c[0], forms.knots_c[-1], 4001))
    assert evenly.shape == (4001, forms.count)
    assert np.abs(evenly.mean(axis=0)).max() < 0.01
    assert np.all(np.abs(evenly) < 2)
    assert forms.count >= drift_forms((low, low + span / 2), capacity).count
    assert np.array_equal(forms.at(np.array([low - 1e6])), forms.rows[:1])


def test_growth_towards_empty_is_among_the_forms():
    """A resistance that doubles within the last tenth of the charge is met within 3 % all the way."""
    forms = drift_forms((0.0, 18000.0), 18000.0)
    state = 1 - forms.knots_c / 18000.0
    ratio = 1 + np.exp(-state / 0.1)
    grown = ratio - np.average(ratio, weights=np.r_[0.5, np.ones(len(state) - 2), 0.5])
    found, *_ = np.linalg.lstsq(forms.rows, grown, rcond=None)
    assert np.max(np.abs(forms.rows @ found - grown) / ratio) < 0.03
    assert np.abs(found).max() < 4
