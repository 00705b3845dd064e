"""Each cause of a sudden stop really stops the tool, for its own reason, and shows in the channels."""

import numpy as np
import pytest

from capture.errors import InputError
from capture.links.address import parse_address
from capture.links.virtual import virtual_rig
from capture.model.life import Life
from capture.model.pack import PACKS
from capture.model.scenario import Scenario
from capture.model.stops import Protection, StopCause, cause_of

WITHIN_S = 240.0
ACTS = {
    StopCause.EMPTY: Protection.PACK_UNDER_VOLTAGE,
    StopCause.WEAK_GROUP: Protection.PACK_UNDER_VOLTAGE,
    StopCause.HIGH_RESISTANCE_GROUP: Protection.PACK_UNDER_VOLTAGE,
    StopCause.HIGH_RESISTANCE_PACK: Protection.PACK_UNDER_VOLTAGE,
    StopCause.JOINT: Protection.TOOL_UNDER_VOLTAGE,
    StopCause.OVER_CURRENT: Protection.PACK_OVER_CURRENT,
    StopCause.OVER_TEMPERATURE: Protection.PACK_OVER_TEMPERATURE,
    StopCause.TOOL_SIDE: Protection.TOOL_TEMPERATURE,
    StopCause.LINK_LOST: Protection.LINK,
}


def until_stop(pack, fault, seed=1, **choices):
    """Return the life, the first stop, and the stretch it came in; None, None where none comes in time."""
    life = Life(Scenario(PACKS[pack], seed, fault=fault, **choices))
    for _ in range(round(WITHIN_S / 0.2)):
        stretch = next(life)
        if stretch.stops:
            return life, stretch.stops[0], stretch
    return life, None, None


@pytest.mark.parametrize("fault", list(ACTS))
@pytest.mark.parametrize("pack", list(PACKS))
def test_a_fault_stops_for_its_reason(pack, fault):
    """The first stop of a faulty rig comes in time, by the right protection, for the right cause."""
    life, stop, stretch = until_stop(pack, fault)
    assert (stop.cause, stop.protection) == (fault, ACTS[fault])
    at = round(stop.time_s / 0.002) - stretch.first_sample
    groups, odd = stretch.group_v[:, at], life.battery.groups.odd
    others = np.delete(groups, odd)
    match fault:
        case StopCause.EMPTY | StopCause.HIGH_RESISTANCE_PACK:
            assert groups.min() < 2.8
            assert np.ptp(groups) < 0.25
        case StopCause.WEAK_GROUP | StopCause.HIGH_RESISTANCE_GROUP:
            assert groups.argmin() == odd
            assert others.min() > 3.2
        case StopCause.JOINT:
            assert groups.min() > 3.1
            assert groups.sum() - stretch.voltage_v[at] > 4.0
        case StopCause.OVER_CURRENT:
            assert stretch.current_a[at] > PACKS[pack].max_current_a
            assert groups.min() > 3.0
        case StopCause.OVER_TEMPERATURE:
            assert stretch.pack_temperature_degc[-1] >= 69.9
        case StopCause.TOOL_SIDE:
            assert groups.min() > 3.6
            assert stretch.voltage_v[at] > 36


@pytest.mark.parametrize("pack", list(PACKS))
def test_a_sound_rig_does_not_stop(pack):
    """Two minutes of cuts with a full pack: no stop of any kind."""
    life = Life(Scenario(PACKS[pack], 1))
    assert not any(stretch.stops for stretch, _ in zip(life, range(600), strict=False))


def test_a_run_down_ends_when_the_pack_is_empty():
    """Without a fault a run-down stops by under-voltage after about the pack's capacity, and recovers."""
    life, stop, _ = until_stop("wren", StopCause.NONE, work="run_down", charge=0.5)
    assert (stop.cause, stop.protection) == (StopCause.EMPTY, Protection.PACK_UNDER_VOLTAGE)
    assert 0.40 * 2.5 < life.battery.state.drawn_c / 3600 < 0.5 * 2.5
    later = [next(life) for _ in range(150)]
    assert all(np.all(stretch.current_a == 0.0) for stretch in later)
    assert later[-1].voltage_v[-1] > later[0].voltage_v[0] + 0.2
    assert later[-1].speed_rad_per_s[-1] == 0.0


def test_resistance_and_charge_show_after_the_stop():
    """A resistive group rebounds to the others at rest, a weak one stays behind."""
    spread = {}
    for fault in (StopCause.HIGH_RESISTANCE_GROUP, StopCause.WEAK_GROUP):
        life, _, _ = until_stop("heron", fault)
        rested = [next(life) for _ in range(300)][-1].group_v[:, -1]
        spread[fault] = np.median(rested) - rested[life.battery.groups.odd]
    assert abs(spread[StopCause.HIGH_RESISTANCE_GROUP]) < 0.03
    assert spread[StopCause.WEAK_GROUP] > 0.2


def test_a_tool_that_stopped_by_itself_starts_again():
    """A joint's stops repeat with each try while the pack stays on; the limb falls in several goes."""
    life = Life(Scenario(PACKS["wren"], 2, fault=StopCause.JOINT))
    lived = [next(life) for _ in range(400)]
    stops = [stop for stretch in lived for stop in stretch.stops]
    assert len(stops) >= 3
    assert {stop.cause for stop in stops} == {StopCause.JOINT}
    cuts = [cut for stretch in lived for cut in stretch.cuts]
    assert any(cut.severed_s is None for cut in cuts)


def test_severance_comes_later_on_a_smaller_pack():
    """The same first limb takes longest on wren, then heron, then albatross, at any charge."""
    for charge in (1.0, 0.4):
        durations = []
        for pack in ("wren", "heron", "albatross"):
            life = Life(Scenario(PACKS[pack], 4, charge=charge))
            cut = next(cut for stretch in life for cut in stretch.cuts)
            durations.append(cut.severed_s - cut.contact_s)
        assert durations[0] > 1.01 * durations[1] > 1.01 * durations[2]


def test_the_work_is_done_when_the_limb_falls():
    """The area of each limb is what torque times speed has severed, and pi/4 D2, within a step's bite."""
    life = Life(Scenario(PACKS["heron"], 9))
    lived = [next(life) for _ in range(200)]
    speed, force = (
        np.concatenate([getattr(s, name) for s in lived]) for name in ("speed_rad_per_s", "force_n")
    )
    torque = np.concatenate([stretch.torque_nm for stretch in lived])
    for cut in (cut for stretch in lived for cut in stretch.cuts):
        part = slice(round(cut.contact_s / 0.002) + 1, round(cut.severed_s / 0.002) + 1)
        work_j = (torque * speed)[part].sum() * 0.002
        assert work_j / 270e3 == pytest.approx(cut.severed_m2, rel=1e-9)
        assert cut.severed_m2 == pytest.approx(np.pi / 4 * cut.diameter_m**2, rel=5e-3)
        np.testing.assert_allclose(torque[part], 1.3 * 0.02 * force[part], rtol=1e-12)


@pytest.mark.parametrize(
    ("protection", "fault", "odd", "cause"),
    [
        (Protection.PACK_UNDER_VOLTAGE, StopCause.WEAK_GROUP, True, StopCause.WEAK_GROUP),
        (Protection.PACK_UNDER_VOLTAGE, StopCause.WEAK_GROUP, False, StopCause.EMPTY),
        (Protection.PACK_UNDER_VOLTAGE, StopCause.JOINT, False, StopCause.EMPTY),
        (Protection.PACK_OVER_CURRENT, StopCause.WEAK_GROUP, True, StopCause.OVER_CURRENT),
        (Protection.TOOL_UNDER_VOLTAGE, StopCause.NONE, False, StopCause.EMPTY),
        (Protection.TOOL_STALL, StopCause.JOINT, False, StopCause.TOOL_SIDE),
    ],
)
def test_a_fault_that_does_not_explain_a_stop_is_not_its_cause(protection, fault, odd, cause):
    """What acted decides; the rig's fault is named only where it can have led to that."""
    assert cause_of(protection, fault, lowest_is_odd=odd) is cause


def test_an_address_asks_for_a_scenario():
    """Every option of an address arrives in the scenario."""
    text = "sim:polesaw?pack=wren&seed=3&work=run_down&fault=weak_group&charge=80&ambient=-5.5&current_gain=2"
    scenario = virtual_rig(parse_address(text)).scenario
    assert (scenario.pack, scenario.seed) == (PACKS["wren"], 3)
    assert (scenario.work, scenario.fault) == ("run_down", "weak_group")
    assert (scenario.charge, scenario.ambient_degc) == (0.8, -5.5)
    assert scenario.imperfections["current"].gain == pytest.approx(0.02)
    assert scenario.imperfections["voltage"].offset == 0.0


@pytest.mark.parametrize(
    "option",
    [
        "pack=crow",
        "work=nap",
        "fault=rust",
        "charge=101",
        "charge=full",
        "charge=nan",
        "ambient=-90",
        "seed=0",
        "sped=3",
        "voltage_gain=x",
    ],
)
def test_bad_options_are_told_in_one_line(option):
    """The message names the option and what there is instead."""
    with pytest.raises(InputError) as told:
        virtual_rig(parse_address(f"sim:polesaw?{option}"))
    assert option.partition("=")[0] in str(told.value)
    assert "\n" not in str(told.value)
