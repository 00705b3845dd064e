"""What a press gave: force by pressure and piston, its end, its peak, the time to a threshold."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_pack import columns

from capture.run_card import RunCard
from capture.studies.columns import Span
from capture.studies.press_figures import press_figures
from capture.uncertainty.channels import ChannelUncertainty

START_S, END_S = 2.0, 6.0
LOAD = Span(START_S, END_S)
CARD = RunCard(kind="press", piston_area_mm2=491.0, force_threshold_n=20_000.0)


def rising(t_s, most, tau_s):
    """Return most (1 - exp(-t / tau)) from the start of the load, and its fall behind it."""
    since = np.clip(t_s - START_S, 0, END_S - START_S)
    value = most * (1 - np.exp(-since / tau_s))
    return value * np.exp(-np.clip(t_s - END_S, 0, None) / 0.05)


def pressed(*, most_pa=60e6, tau_s=1.2, noise_pa=0.0, rate_hz=500, divisor=1, seed=1):
    t_s = np.arange(0, 8, 1 / rate_hz)
    pressure = rising(t_s, most_pa, tau_s)
    pressure = pressure + np.random.default_rng(seed).normal(0, noise_pa, len(t_s))
    pressure[np.arange(len(t_s)) % divisor > 0] = np.nan
    run = columns(t_s, np.where(t_s < END_S, 20.0, 0.0), np.full(len(t_s), 20.0), pressure_pa=pressure)
    run.divisors["pressure_pa"] = divisor
    return run


def test_force_is_pressure_times_area():
    """Pascal: 60 MPa on 491 mm2 are 29,460 N; after 4 s of a rise of 1.2 s 96.43 % of it."""
    found = press_figures(pressed(), LOAD, CARD, {"pressure_pa": ChannelUncertainty(0.01, 0.0)})
    assert found.pressure_at_end.value == pytest.approx(60e6 * (1 - np.exp(-4 / 1.2)), rel=1e-3)
    assert found.force_at_end.value == pytest.approx(29_460 * (1 - np.exp(-4 / 1.2)), rel=1e-3)
    assert found.force_at_end.u == pytest.approx(0.01 * found.force_at_end.value, rel=0.01)
    assert found.peak_force.value == pytest.approx(found.force_at_end.value, rel=2e-3)
    assert found.time_to_threshold.value == pytest.approx(-1.2 * np.log(1 - 20_000 / 29_460), abs=2e-3)


def test_a_load_cell_comes_before_the_pressure():
    run = pressed()
    both = columns(
        run.t_s, run.columns["current_a"], run.columns["voltage_v"],
        pressure_pa=run.columns["pressure_pa"], force_n=run.columns["pressure_pa"] * 450e-6,
    )  # fmt: skip
    found = press_figures(both, LOAD, CARD, {})
    assert found.force_at_end.value == pytest.approx(27_000 * (1 - np.exp(-4 / 1.2)), rel=1e-3)
    assert found.force_at_end.u is None  # nobody calibrated either


def test_without_the_area_there_is_a_pressure_and_the_way_to_the_force():
    found = press_figures(pressed(), LOAD, RunCard(kind="press"), {})
    assert found.force_at_end is None
    assert found.pressure_at_end is not None
    assert "piston" in found.says[0]


def test_a_threshold_that_is_never_reached_says_how_far_it_came():
    found = press_figures(pressed(most_pa=30e6), LOAD, CARD, {})
    assert found.time_to_threshold is None
    assert "never stayed at 20000 N" in found.says[0]


def test_a_spike_is_neither_peak_nor_threshold():
    run = pressed()
    run.columns["pressure_pa"][1100] = 70e6  # at 2.2 s
    found = press_figures(run, LOAD, CARD, {})
    assert found.peak_force.value < 29_460
    assert found.time_to_threshold.value > 1


def test_nothing_to_tell_without_force_or_pressure():
    t_s = np.arange(0, 8, 0.002)
    bare = columns(t_s, np.full(len(t_s), 20.0), np.full(len(t_s), 20.0))
    found = press_figures(bare, LOAD, CARD, {})
    assert (found.force_at_end, found.peak_force, found.time_to_threshold) == (None, None, None)


@settings(deadline=None, max_examples=40)
@given(
    noise_pa=st.floats(0.0, 0.5e6),
    tau_s=st.floats(0.5, 2.0),
    divisor=st.sampled_from([1, 5, 40]),
    seed=st.integers(0, 2**16),
)
def test_figures_lie_within_their_uncertainty(noise_pa, tau_s, divisor, seed):
    """Within 4 u, and within what a straight line over a bend may miss."""
    known = {"pressure_pa": ChannelUncertainty(0.0, 0.0, noise_pa)}
    found = press_figures(
        pressed(tau_s=tau_s, noise_pa=noise_pa, divisor=divisor, seed=seed), LOAD, CARD, known
    )
    end_n = 29_460 * (1 - np.exp(-4 / tau_s))
    bend_n = 29_460 / tau_s**2 * np.exp(-4 / tau_s) * 0.25**2
    assert abs(found.force_at_end.value - end_n) < 4 * found.force_at_end.u + bend_n + 1.0
    reached_s = -tau_s * np.log(1 - 20_000 / 29_460)
    assert abs(found.time_to_threshold.value - reached_s) < 4 * found.time_to_threshold.u + 0.005
