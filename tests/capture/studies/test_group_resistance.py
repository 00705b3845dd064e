"""Groups and what lies between them: pack minus the sum of its groups."""

import numpy as np
import pytest
from simulated_pack import Pack, columns, drawn_current

from capture.run_card import RunCard
from capture.studies.group_resistance import group_resistances
from capture.studies.pulse_resistance import pulse_resistance
from capture.uncertainty.channels import ChannelUncertainty

EXACT = ChannelUncertainty(0.0, 0.0)


def pack_of_groups(joint_ohm, high_group=None):
    random = np.random.default_rng(2)
    t_s, current = drawn_current(random, seconds=80.0, most_a=40.0)
    current += random.normal(0, 0.02, len(t_s))
    groups = {}
    for number in range(1, 6):
        r0 = 0.012 if number == high_group else 0.006
        cell = Pack(r0, ((0.002, 1.0), (0.003, 20.0)), full_v=4.1, fall_v=0.8, bend_v=0.1)
        groups[f"group_{number}_v"] = cell.voltage(t_s, current) + random.normal(0, 0.001, len(t_s))
    voltage = sum(groups.values()) - joint_ohm * current + random.normal(0, 0.003, len(t_s))
    return columns(t_s, current, voltage, **groups)


def studied(run, known):
    card = RunCard(series=5, capacity_ah=5.0)
    return group_resistances(run, card, known, pulse_resistance(run, card, known))


def test_a_joint_is_what_the_groups_do_not_add_up_to():
    run = pack_of_groups(0.004)
    found = studied(run, dict.fromkeys(run.columns, EXACT))
    assert found.closure.remainder.value == pytest.approx(0.004, abs=0.0006)
    assert "joints" in found.closure.says
    assert [group.group for group in found.groups] == [1, 2, 3, 4, 5]


def test_a_group_of_twice_the_resistance_stands_out():
    run = pack_of_groups(0.0, high_group=3)
    found = studied(run, dict.fromkeys(run.columns, EXACT))
    ohms = {group.group: group.pulse[1].value for group in found.groups}
    assert max(ohms, key=ohms.get) == 3
    assert ohms[3] - ohms[1] == pytest.approx(0.006, rel=0.05)


def test_with_gains_nobody_measured_a_small_remainder_cannot_be_told():
    run = pack_of_groups(0.0002)
    known = {name: ChannelUncertainty(0.005, 0.0) for name in run.columns}
    found = studied(run, known)
    assert "cannot be told" in found.closure.says
    # the current's gain is the same in pack and groups: the remainder does not have that of the sum
    assert found.closure.remainder.u < 0.01 * sum(group.pulse[1].value for group in found.groups)


def test_a_pack_of_which_a_group_is_missing_has_no_remainder():
    run = pack_of_groups(0.004)
    del run.columns["group_5_v"]
    found = studied(run, dict.fromkeys(run.columns, EXACT))
    assert len(found.groups) == 4
    assert found.closure is None


def test_no_groups_no_answer():
    run = pack_of_groups(0.0)
    for number in range(1, 6):
        del run.columns[f"group_{number}_v"]
    assert studied(run, {}) is None
