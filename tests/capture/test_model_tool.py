"""The tool against the closed forms of a direct-current motor behind a resistance, and its protections.

V = I R + k w, T = k I: the linear model of a permanent-magnet motor, as in any text on electrical machines.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from capture.model.life import Life
from capture.model.pack import PACKS
from capture.model.scenario import Scenario
from capture.model.stops import Protection
from capture.model.tool import POLE_SAW, LivingTool
from capture.model.work import LOCKED, PULLED, RELEASED, Demand

SOURCE_V, SOURCE_OHM, STEP_S = 40.0, 0.04, 0.002
UNCLAMPED = replace(POLE_SAW, clamp_a=1e9, idle_a=0.0)


def tool_of(tool=POLE_SAW, fault="none"):
    return LivingTool(Scenario(PACKS["heron"], 1, fault=fault), tool)


def run(living, demand, seconds):
    """Return what is drawn in each step, and the motor's speed at its end."""
    drawn, speed = [], []
    for _ in range(round(seconds / STEP_S)):
        drawn.append(living.step(demand, SOURCE_V, SOURCE_OHM))
        speed.append(living.speed)
    return drawn, np.array(speed)


def test_free_run_speed():
    """At speed w friction takes T0 + b w = k I, and V = I R + k w: w = (k V - R T0) / (k2 + R b)."""
    for duty in (1.0, 0.6):
        _, speed = run(living := tool_of(UNCLAMPED), Demand(duty), 3.0)
        k, ohm = 0.0258, 0.080 + duty * SOURCE_OHM
        volts = duty * SOURCE_V
        assert speed[-1] == pytest.approx((k * volts - ohm * 0.075) / (k**2 + ohm * 3.5e-5), rel=1e-6)
        assert living.spindle_rad_per_s == pytest.approx(speed[-1] / 3.5)


def test_stall_current_and_torque():
    """A locked motor draws V / R and gives k V / R; with the limiter, just the clamp at a small duty."""
    drawn, speed = run(tool_of(UNCLAMPED), LOCKED, 0.01)
    assert np.all(speed == 0)
    assert drawn[0].motor_a == pytest.approx(SOURCE_V / (0.080 + SOURCE_OHM), rel=1e-12)
    clamped = run(tool_of(), LOCKED, 0.01)[0][0]
    assert clamped.motor_a == 75.0
    source_v = SOURCE_V - SOURCE_OHM * 0.03
    assert clamped.duty == pytest.approx(0.080 * 75.0 / (source_v - SOURCE_OHM * 75.0), rel=1e-12)


def test_a_load_slows_by_the_resistance():
    """Between two loads the speed falls by R dT / k2, friction's share included."""
    k, ohm, viscous = 0.0258, 0.080 + SOURCE_OHM, 3.5e-5
    light, heavy = (run(tool_of(UNCLAMPED), Demand(1.0, load), 4.0)[1][-1] for load in (0.5, 1.5))
    difference_nm = 1.0 / (3.5 * 0.9)
    assert light - heavy == pytest.approx(ohm * difference_nm / (k**2 + ohm * viscous), rel=1e-6)


def test_run_up_against_the_exponential():
    """Without friction the speed is V/k (1 - exp(-t k2 / (J R))), within what steps of 2 ms allow (5 %)."""
    bare = replace(UNCLAMPED, friction_nm=0.0, viscous_nm_s=0.0)
    _, speed = run(tool_of(bare), PULLED, 0.1)
    t = (np.arange(50) + 1) * STEP_S
    expected = SOURCE_V / 0.0258 * (1 - np.exp(-t * 0.0258**2 / (0.8e-4 * (0.080 + SOURCE_OHM))))
    np.testing.assert_allclose(speed, expected, rtol=0, atol=0.05 * SOURCE_V / 0.0258)


@pytest.mark.parametrize("demand", [PULLED, Demand(0.5), Demand(1.0, 2.0), Demand(1.0, 6.0)])
def test_power_balances_in_every_step(demand):
    """Electric power into the chopper is the winding's heat and k i w; braking returns what is left of it."""
    living = tool_of(replace(POLE_SAW, idle_a=0.0))
    returned = 0
    for step in range(800):
        drawn = living.step(demand if step < 400 else RELEASED, SOURCE_V, SOURCE_OHM)
        taken_w = drawn.duty * drawn.motor_a * (SOURCE_V - SOURCE_OHM * drawn.motor_a)
        used_w = 0.080 * drawn.motor_a**2 + 0.0258 * drawn.motor_a * living.speed
        if drawn.duty > 0.0:  # else the brake's current stays within the tool
            assert taken_w == pytest.approx(used_w, rel=1e-9, abs=1e-9)
        returned += drawn.mean_a < -1.0
    assert living.speed == 0.0
    assert (returned > 20) == (demand.load_nm < 6.0)


def test_stall_timer_and_release():
    """A locked spindle under a pulled trigger is switched off after a second; a release clears it."""
    living = tool_of()
    run(living, LOCKED, 0.9)
    assert living.acted is None
    run(living, LOCKED, 0.2)
    assert living.acted is Protection.TOOL_STALL
    assert run(living, LOCKED, 0.01)[0][-1].mean_a == POLE_SAW.idle_a
    run(living, RELEASED, 0.01)
    assert living.acted is None


def test_low_voltage_locks_out():
    """Below its own limit for a tenth of a second the tool stops, whatever the pack thinks."""
    living = tool_of()
    for _ in range(60):
        living.step(PULLED, 26.0, SOURCE_OHM)
    assert living.acted is Protection.TOOL_UNDER_VOLTAGE


def test_a_hot_tool_waits_until_it_has_cooled():
    """The thermal stop outlasts the trigger."""
    living = tool_of(fault="tool_side")
    living.temperature_degc = 89.999
    run(living, Demand(1.0, 2.0), 1.0)
    assert living.acted is Protection.TOOL_TEMPERATURE
    run(living, RELEASED, 1.0)
    assert living.acted is Protection.TOOL_TEMPERATURE
    living.temperature_degc = 70.0
    run(living, RELEASED, 0.01)
    assert living.acted is None


def test_without_a_pack_nothing_flows():
    """A tool whose pack has switched off coasts down and draws nothing."""
    living = tool_of()
    run(living, PULLED, 0.5)
    before = living.speed
    assert living.step(PULLED, 0.0, 0.0).mean_a == 0.0
    assert 0 < living.speed < before


def test_the_start_looks_like_a_start():
    """First rest three seconds, an inrush of 60 to 80 A for tens of milliseconds, cuts of 2 to 6 s at 20 to
    36 A, pauses of 2 to 4 s, some current returned at each release.
    """
    lived = [stretch for stretch, _ in zip(Life(Scenario(PACKS["heron"], 1)), range(300), strict=False)]
    current = np.concatenate([stretch.current_a for stretch in lived])
    voltage = np.concatenate([stretch.voltage_v for stretch in lived])
    cuts = [cut for stretch in lived for cut in stretch.cuts]
    assert np.all(current[:1495] == POLE_SAW.idle_a)
    inrush = current[1500:1650]
    assert 60 < inrush.max() < 80
    assert 0.010 < (inrush > 40).sum() * STEP_S < 0.100
    assert len(cuts) >= 6
    for cut, following in pairwise(cuts):
        steady = current[round((cut.contact_s + 0.3) / STEP_S) : round(cut.severed_s / STEP_S)]
        assert 2.0 < cut.severed_s - cut.contact_s < 6.0
        assert 20 < steady.mean() < 36
        assert 2.0 < following.triggered_s - cut.released_s < 4.01
        released = current[round(cut.released_s / STEP_S) :][:200]
        assert -12.5 < released.min() < -5
    assert 1.5 < voltage[:1400].min() - voltage.min() < 6.0
