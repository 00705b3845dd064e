"""Pulse resistance: the true step response is found under currents that never hold still."""

import numpy as np
import pytest
from simulated_pack import Pack, as_logged, columns, drawn_current

from capture.run_card import RunCard
from capture.studies.pulse_resistance import PULSE_TIMES_S, pulse_resistance
from capture.studies.steps import find_steps
from capture.uncertainty.channels import ChannelUncertainty

EXACT = {"current_a": ChannelUncertainty(0.0, 0.0), "voltage_v": ChannelUncertainty(0.0, 0.0)}
PACK = Pack(0.060, ((0.020, 0.8), (0.030, 25.0)))


def random_pack(random):
    return Pack(
        random.uniform(0.01, 0.12),
        (
            (random.uniform(0.004, 0.03), np.exp(random.uniform(np.log(0.1), np.log(3.0)))),
            (random.uniform(0.01, 0.05), np.exp(random.uniform(np.log(6.0), np.log(60.0)))),
        ),
        capacity_ah=random.uniform(2.0, 8.0),
    )


def test_random_packs_under_random_work():
    """Every figure within 2 % (3 % at 10 s), 85 to 100 % of them within 2 u, on runs as loggers have them."""
    within, worst = [], dict.fromkeys(PULSE_TIMES_S, 0.0)
    for seed in range(20):
        random = np.random.default_rng(seed)
        pack = random_pack(random)
        t_s, current = drawn_current(random, seconds=90.0)
        run = as_logged(random, t_s, current, pack.voltage(t_s, current))
        found = pulse_resistance(run, RunCard(), EXACT)
        figures = [(pack.r0, found.ohmic)]
        for at, after_s in enumerate(PULSE_TIMES_S):
            told = [found.pulse[at], *(stepped.r[at] for stepped in found.steps)]
            figures += [(pack.after(after_s), figure) for figure in told if figure is not None]
            error = abs(found.pulse[at].value / pack.after(after_s) - 1)
            worst[after_s] = max(worst[after_s], error)
        assert found.ohmic.value == pytest.approx(pack.r0, rel=0.03)
        within += [abs(figure.value - true) <= 2 * figure.u for true, figure in figures]
    assert worst[0.1] < 0.02
    assert worst[1.0] < 0.02
    assert worst[10.0] < 0.03
    assert len(within) > 500
    assert 0.85 <= np.mean(within) <= 1.0


def test_a_plain_quotient_would_miss():
    """The fall of the open-circuit voltage with the charge drawn is no resistance: here it would add 7 %."""
    t_s = np.arange(0, 90, 0.002)
    current = np.where((t_s > 5) & (t_s < 25), 30.0, 0.0)
    pack = Pack(0.060, ((0.020, 0.8),), capacity_ah=2.0, fall_v=6.5, bend_v=0.0)
    voltage = pack.voltage(t_s, current)
    found = pulse_resistance(columns(t_s, current, voltage), RunCard(), EXACT)
    quotient = (voltage[np.searchsorted(t_s, 4.9)] - voltage[np.searchsorted(t_s, 15.0)]) / 30.0
    assert quotient / pack.after(10.0) > 1.05
    assert found.pulse[2].value == pytest.approx(pack.after(10.0), rel=0.02)


def test_a_response_that_is_no_circuit():
    """Diffusion, a response with the root of time, is met within 3 %."""
    ladder = [(0.004 * tau**0.5, tau) for tau in np.geomspace(0.03, 60, 30)]
    pack = Pack(0.040, tuple((ohm * 0.4, tau) for ohm, tau in ladder))
    random = np.random.default_rng(5)
    t_s, current = drawn_current(random, seconds=150.0)
    found = pulse_resistance(as_logged(random, t_s, current, pack.voltage(t_s, current)), RunCard(), EXACT)
    for at, after_s in enumerate(PULSE_TIMES_S):
        figure = found.pulse[at]
        assert abs(figure.value - pack.after(after_s)) <= max(2 * figure.u, 0.03 * pack.after(after_s))


def test_resistance_that_grows_within_a_run_is_seen_at_its_steps():
    random = np.random.default_rng(3)
    t_s, current = drawn_current(random, seconds=200.0)
    low, high = Pack(0.050, ((0.02, 1.0),)), Pack(0.060, ((0.024, 1.0),))
    share = t_s / t_s[-1]
    voltage = (1 - share) * low.voltage(t_s, current) + share * high.voltage(t_s, current)
    found = pulse_resistance(as_logged(random, t_s, current, voltage), RunCard(), EXACT)
    told = [(step.step.t_s / t_s[-1], step.r[1].value) for step in found.steps if step.r[1] is not None]
    for at, ohm in told:
        true = (1 - at) * low.after(1.0) + at * high.after(1.0)
        assert ohm == pytest.approx(true, rel=0.03)
    first, last = told[0], told[-1]
    assert last[1] > 1.08 * first[1]


def test_a_common_gain_error_is_in_every_uncertainty():
    random = np.random.default_rng(1)
    t_s, current = drawn_current(random, seconds=90.0)
    run = as_logged(random, t_s, current, PACK.voltage(t_s, current), gain=1.01)
    known = {"current_a": ChannelUncertainty(0.01, 0.0), "voltage_v": ChannelUncertainty(0.0, 0.0)}
    found = pulse_resistance(run, RunCard(), known)
    for at, after_s in enumerate(PULSE_TIMES_S):
        figure = found.pulse[at]
        assert figure.u >= 0.0099 * figure.value
        assert abs(figure.value - PACK.after(after_s)) <= 2 * figure.u


def test_a_run_that_does_not_reach_ten_seconds_does_not_tell_them():
    t_s = np.arange(0, 6, 0.002)
    current = np.where((t_s > 2) & (t_s < 4), 30.0, 0.0)
    found = pulse_resistance(columns(t_s, current, PACK.voltage(t_s, current)), RunCard(), EXACT)
    assert found.pulse[2] is None
    assert found.pulse[0].value == pytest.approx(PACK.after(0.1), rel=0.02)


def test_slow_samples_tell_no_ohmic_part():
    t_s = np.arange(0, 120, 0.1)
    current = np.where((t_s % 30 > 5) & (t_s % 30 < 18), 30.0, 0.0)
    found = pulse_resistance(columns(t_s, current, PACK.voltage(t_s, current)), RunCard(), EXACT)
    assert found.ohmic is None
    assert found.pulse[2].value == pytest.approx(PACK.after(10.0), rel=0.03)


@pytest.mark.parametrize("current", [0.0, 30.0, np.nan], ids=["rest", "steady", "nothing"])
def test_a_run_without_steps_tells_nothing(current):
    t_s = np.arange(0, 20, 0.002)
    row = np.full(len(t_s), current)
    run = columns(t_s, row, 40.0 - 0.06 * np.nan_to_num(row))
    assert pulse_resistance(run, RunCard(), EXACT) is None
    assert pulse_resistance(columns(t_s[:3], row[:3], row[:3]), RunCard(), EXACT) is None


def test_steps_are_found_where_they_are():
    t_s = np.arange(0, 30, 0.002)
    current = np.where((t_s >= 5) & (t_s < 12), 20.0, 0.0) + np.where((t_s >= 7) & (t_s < 9), 15.0, 0.0)
    current += np.random.default_rng(0).normal(0, 0.05, len(t_s))
    steps = find_steps(columns(t_s, current, 40.0 - 0.06 * current))
    assert [step.t_s for step in steps] == pytest.approx([5, 7, 9, 12], abs=0.004)
    assert [(step.from_a, step.to_a) for step in steps] == [
        (pytest.approx(a, abs=0.1), pytest.approx(b, abs=0.1))
        for a, b in [(0, 20), (20, 35), (35, 20), (20, 0)]
    ]
    assert [step.is_release for step in steps] == [False, False, True, True]
