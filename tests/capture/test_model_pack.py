"""The living pack against closed forms: exponentials, Arrhenius, balances of charge, energy and heat."""

from dataclasses import replace

import numpy as np
import pytest

from capture.model.battery import STRETCH_STEPS, Battery, PackElectronics
from capture.model.life import Life
from capture.model.pack import FAST, OHMIC, PACKS, SLOW, Pack
from capture.model.scenario import Scenario
from capture.model.stops import Protection, StopCause
from capture.open_circuit import nmc_voltage

STEP_S = 0.002
#: A pack that neither warms nor cools, at the temperature where resistances are as written.
STEADY = replace(PACKS["heron"], heat_capacity_j_per_k=1e12)


def battery_of(pack=STEADY, ambient_degc=25.0, **choices):
    return Battery(Scenario(pack, seed=3, ambient_degc=ambient_degc, **choices))


def carried(battery, current_a, steps):
    """Return the group voltages (groups, steps) while a steady current passes."""
    voltages = []
    for at in range(0, steps, STRETCH_STEPS):
        battery.begin_stretch()
        states = []
        for _ in range(min(STRETCH_STEPS, steps - at)):
            states.append(battery.state)
            battery.carry(current_a)
        voltages.append(battery.group_voltages(np.array(states), np.full(len(states), current_a)))
    return np.concatenate(voltages, axis=1)


def test_a_steady_current_against_the_exponential():
    """V = OCV(s - It/C) - I (R0 + R1 (1 - exp(-t/0.12)) + R2 (1 - exp(-t/30))) for every group.

    Within 50 uV: a corner of the open-circuit curve inside a stretch is cut.
    """
    battery, current_a, steps = battery_of(charge=0.9), 20.0, 20_000
    groups, t = battery.groups, np.arange(steps) * STEP_S
    charge = groups.charge[:, None] - np.outer(1 / (groups.capacity_ah * 3600), current_a * t)
    r0, r1, r2 = (part * groups.resistance_ohm[:, None] for part in (0.55, 0.20, 0.25))
    expected = nmc_voltage(charge) - current_a * (
        r0 + r1 * (1 - np.exp(-t / 0.12)) + r2 * (1 - np.exp(-t / 30.0))
    )
    np.testing.assert_allclose(carried(battery, current_a, steps), expected, rtol=0, atol=5e-5)


def test_a_rested_pack_recovers_as_the_pairs_discharge():
    """After the load is gone the voltage rises by I R0 at once, then by the pairs' exponentials."""
    battery = battery_of(charge=0.6)
    loaded = carried(battery, 30.0, 30_000)[:, -1]
    _, fast_a, slow_a = battery.state
    rested = carried(battery, 0.0, 5000)
    groups = battery.groups
    np.testing.assert_allclose(rested[:, 0] - loaded, 30.0 * 0.55 * groups.resistance_ohm, rtol=0.01)
    t = 4999 * STEP_S
    missing = groups.resistance_ohm * (0.20 * fast_a * np.exp(-t / 0.12) + 0.25 * slow_a * np.exp(-t / 30.0))
    at_rest = nmc_voltage(groups.charge - battery.state.drawn_c / (groups.capacity_ah * 3600))
    np.testing.assert_allclose(rested[:, -1], at_rest - missing, rtol=0, atol=1e-5)


def test_resistances_follow_arrhenius():
    """exp(Ea/kB (1/T - 1/298.15 K)), kB = 8.617333262e-5 eV/K (CODATA 2018): 2.437 for 0.25 eV at 0 degC."""
    by_hand = np.exp(0.25 / 8.617333262e-5 * (1 / 273.15 - 1 / 298.15))
    assert by_hand == pytest.approx(2.437, abs=1e-3)
    assert SLOW.warmth(0.0) == pytest.approx(by_hand, rel=1e-12)
    assert [share.warmth(25.0) for share in (OHMIC, FAST, SLOW)] == [1.0, 1.0, 1.0]
    assert OHMIC.part + FAST.part + SLOW.part == pytest.approx(1.0)
    cold, warm = battery_of(ambient_degc=-10.0), battery_of(ambient_degc=40.0)
    assert cold.ohmic_ohm > battery_of().ohmic_ohm > warm.ohmic_ohm


def test_the_packs_keep_their_resistance():
    """The parts add up to the pack's resistance, within the spread of its groups."""
    for pack in PACKS.values():
        whole = sum(part.sum() for part in Scenario(pack, 1).groups().resistances(25.0))
        assert whole == pytest.approx(pack.resistance_ohm, rel=0.05)


def test_the_bound_never_hides_a_low_group():
    """Whether all groups are above a limit is told the same by the bound and by looking at each."""
    battery = battery_of(charge=0.31, fault=StopCause.WEAK_GROUP)
    random = np.random.default_rng(1)
    told = set()
    for _ in range(40):
        battery.begin_stretch()
        for current_a in random.uniform(-10.0, 70.0, STRETCH_STEPS).tolist():
            above = battery.stays_above(2.8, current_a)
            assert above == (battery.lowest(current_a)[1] > 2.8)
            told.add(above)
            battery.carry(current_a)
    assert told == {True, False}


def test_a_faulty_group_is_odd_in_its_own_way():
    """A weak group lacks capacity and charge, a resistive one conducts badly; the others are sound."""
    weak = Scenario(STEADY, 5, fault=StopCause.WEAK_GROUP).groups()
    bad = Scenario(STEADY, 5, fault=StopCause.HIGH_RESISTANCE_GROUP).groups()
    others = np.arange(10) != weak.odd
    assert weak.odd == bad.odd
    assert weak.capacity_ah[weak.odd] < 0.8 * weak.capacity_ah[others].min()
    assert weak.charge[weak.odd] < weak.charge[others].min() - 0.2
    assert np.all(weak.extra_ohm == 0)
    ohmic = bad.resistances(25.0)[0]
    assert ohmic[bad.odd] > 4 * ohmic[others].max()


@pytest.mark.parametrize("work", ["cuts", "stall", "sag_test"])
def test_energy_balances(work):
    """What the groups give from their chemistry is delivered, turned to heat, or stored in the pairs."""
    life = Life(Scenario(STEADY, 6, work=work, charge=0.7, ambient_degc=25.0))
    groups, joint_ohm = life.battery.groups, life.battery.joint_ohm
    given_j = delivered_j = heat_j = joint_j = 0.0
    drawn_c = 0.0
    for _ in range(100):
        truth = next(life)
        before_c = drawn_c + np.concatenate([[0.0], np.cumsum(truth.current_a)[:-1]]) * STEP_S
        drawn_c += truth.current_a.sum() * STEP_S
        charge = groups.charge[:, None] - np.outer(1 / (groups.capacity_ah * 3600), before_c)
        given_j += (nmc_voltage(charge).sum(axis=0) * truth.current_a).sum() * STEP_S
        delivered_j += truth.power_w.sum() * STEP_S
        heat_j += truth.heat_w.sum() * STEP_S
        joint_j += joint_ohm * truth.current_square_a2.sum() * STEP_S
    _, fast_a, slow_a = life.battery.state
    whole_ohm = groups.resistance_ohm.sum()
    stored_j = 0.5 * whole_ohm * (0.20 * 0.12 * fast_a**2 + 0.25 * 30.0 * slow_a**2)
    assert given_j == pytest.approx(delivered_j + heat_j + joint_j + stored_j, rel=1e-4)
    assert heat_j > 0.003 * given_j
    assert life.battery.state.drawn_c == pytest.approx(drawn_c, rel=1e-9)


def test_heat_warms_the_pack():
    """Temperature rises by heat over heat capacity when nothing cools, and decays to ambient at rest."""
    pack = replace(PACKS["wren"], cooling_w_per_k=0.0)
    life = Life(Scenario(pack, 1, ambient_degc=25.0))
    heat_j = sum(float(next(life).heat_w.sum()) * STEP_S for _ in range(150))
    assert life.battery.temperature_degc - 25.0 == pytest.approx(heat_j / 560.0, rel=1e-6)
    cooling = Battery(Scenario(PACKS["wren"], 1, ambient_degc=10.0))
    cooling.temperature_degc = 50.0
    for _ in range(1000):
        cooling.warm(0.0, 1.6)
    assert cooling.temperature_degc == pytest.approx(10.0 + 40.0 * np.exp(-1600 * 0.35 / 560), rel=1e-3)


@pytest.mark.parametrize(
    ("charge", "current_a", "after_s", "protection"),
    [
        (0.9, 60.0, None, None),
        (0.9, 66.0, 0.2, Protection.PACK_OVER_CURRENT),
        (0.02, 30.0, 0.1, Protection.PACK_UNDER_VOLTAGE),
    ],
)
def test_the_electronics_wait_and_then_act(charge, current_a, after_s, protection):
    """A limit must be passed for its delay; within the limits nothing acts."""
    pack = Pack("steady", 10, 5.0, 0.058, 1e12, 0.0, max_current_a=65)
    scenario = Scenario(pack, 1, charge=charge, ambient_degc=25.0)
    battery, electronics = Battery(scenario), PackElectronics(scenario)
    steps = 0
    while electronics.acted is None and steps < 500:
        if steps % STRETCH_STEPS == 0:
            battery.begin_stretch()
        electronics.watch(battery, current_a)
        battery.carry(current_a)
        steps += 1
    assert electronics.acted is protection
    if after_s is not None:
        assert steps * STEP_S == pytest.approx(after_s, abs=STEP_S)
