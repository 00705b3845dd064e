"""The virtual load bank: it draws what its address says, when its duty says."""

import numpy as np
import pytest
from bench_load_blocks import blocks_of, true_resistance_ohm

from capture.blocks import join
from capture.errors import InputError
from capture.links.address import open_address, parse_address
from capture.links.virtual import virtual_rig
from capture.model.life import Life
from capture.model.load_bank import Duty

DUTY = "rest=2&on=1&off=3"


def lived(options, seconds):
    """Return the true current and voltage of the pack, sample by sample."""
    scenario = virtual_rig(parse_address(f"sim:loadbank?{options}")).scenario
    stretches = [stretch for stretch, _ in zip(Life(scenario), range(round(seconds * 5)), strict=False)]
    return (np.concatenate([getattr(one, name) for one in stretches]) for name in ("current_a", "voltage_v"))


def edges(current):
    """Return when the load came and went, in s."""
    return (np.flatnonzero(np.diff(current > 0)) + 1) * 0.002


def test_a_constant_current_is_switched_by_the_duty():
    current, _ = lived(f"amps=15&{DUTY}", 12)
    assert edges(current) == pytest.approx([2, 3, 6, 7, 10, 11])
    assert set(np.round(current, 9)) == {0.0, 15.0}


def test_a_resistor_draws_by_ohm_s_law():
    """Voltage at the pack over the resistor and the 6 mohm of shunt and leads."""
    current, voltage = lived(f"ohms=2&{DUTY}", 3)
    on = current > 0
    assert current[on] == pytest.approx(voltage[on] / 2.006, rel=1e-12)


@pytest.mark.parametrize(
    ("mistake", "loads"),
    [
        ("early=2", [(2, 3), (6, 6.35), (9.35, 10.35)]),
        ("soon=2", [(2, 3), (3.9, 4.9), (7.9, 8.9)]),
        ("repeats=1", [(2, 3)]),
    ],
)
def test_mistakes_of_whoever_switches(mistake, loads):
    current, _ = lived(f"{DUTY}&{mistake}", 12)
    told = edges(current)
    assert told[: 2 * len(loads)] == pytest.approx(np.ravel(loads))
    assert mistake != "repeats=1" or len(told) == 2


def test_a_weak_load_draws_a_twentieth():
    current, _ = lived(f"amps=20&{DUTY}&weak=1", 12)
    assert sorted(set(np.round(current, 9))) == [0.0, 1.0, 20.0]


def test_a_pack_that_had_worked_still_recovers():
    _, rested = lived(f"{DUTY}&repeats=1&amps=0", 4)
    current, worked = lived(f"{DUTY}&repeats=1&amps=0&before=20", 4)
    assert not current.any()
    assert np.ptp(rested) < 1e-9
    assert worked[0] < rested[0] - 0.3
    assert np.all(np.diff(worked) > 0)


def test_the_step_response_is_the_model_s_own():
    """What the tests of resistances take for true is what the pack does, its fall of charge aside."""
    _, voltage = lived("amps=20&rest=1&on=12&off=1", 12)
    scenario = virtual_rig(parse_address("sim:loadbank?amps=20")).scenario
    for after_s in (0.1, 1.0):
        fell = voltage[0] - voltage[500 + round(after_s / 0.002)]
        assert fell / 20 == pytest.approx(true_resistance_ohm(scenario, 22.0, after_s), rel=0.02)


def test_nothing_turns_on_a_bank():
    block = join(list(blocks_of("amps=20", 0.5)))
    assert not {"speed_rpm", "force_n"} & block.columns.keys()
    logger = virtual_rig(parse_address("sim:loadbank")).logger
    assert "load bank" in logger.identity.name
    assert logger.identity.channel_count == len(block.columns)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("amp=20", "unknown option 'amp'"),
        ("work=stall", "unknown option 'work'"),
        ("amps=-1", "amps=-1 is not in its range"),
        ("amps=many", "amps=many is not in its range"),
        ("amps=20&ohms=2", "amps and ohms are both given"),
        ("early=0", "early=0 is not a whole number"),
        ("speed=0", "speed=0 is not in its range"),
        ("pack=crow", "unknown pack 'crow'"),
    ],
)
def test_what_no_load_bank_can_be_is_told_in_one_line(options, words):
    with pytest.raises(InputError) as told:
        open_address(f"sim:loadbank?{options}")
    assert words in str(told.value)
    assert "\n" not in str(told.value)


def test_the_saw_has_no_amps():
    with pytest.raises(InputError, match="unknown option 'amps'"):
        open_address("sim:polesaw?amps=20")


def test_without_options_it_is_the_usual_duty():
    assert virtual_rig(parse_address("sim:loadbank")).scenario.bank == Duty()
