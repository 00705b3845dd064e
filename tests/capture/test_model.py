"""The virtual rig is deterministic, physical, knows its truth, and stops for the reason it is told to."""

from dataclasses import replace

import numpy as np
import pytest
from logger_streams import columns_of, stream_of

from capture.links.address import parse_address
from capture.links.virtual import VirtualLink, virtual_rig
from capture.model.life import STEP_S, STEPS_PER_FRAME, Life
from capture.model.pack import PACKS, Condition, resistance_at
from capture.model.rig import RING_SAMPLES, VirtualRig, sense
from capture.model.scenario import FAULTS, Imperfection, Scenario, with_fault
from capture.model.sensors import SILENT_AFTER_S, RowLayer, Tachometer, sensors_for
from capture.model.tool import Tool
from capture.model.work import BITE_MM2_RAD_N, CUTTING_ENERGY_J_MM2, KINDS, TORQUE_NM_N
from capture.open_circuit import NMC_VOLTS, nmc_voltage
from capture.opening import Opening
from capture.run import Run
from firmware_protocol.host_link import HostLink, MessageReader
from firmware_protocol.wire import MAX_PAYLOAD_BYTES

HERON = PACKS["heron"]
EMF = Tool().emf_v_s


def counts_until(rig, *moments):
    bodies = []
    rig.logger.sample = lambda tick, _count, body: bodies.append((tick, body))
    for moment in moments:
        rig.advance_to(moment)
    return bodies


def live(scenario, seconds):
    """Return a life's frames, and a function that joins one of their fields over time."""
    life = Life(scenario)
    frames = [life.frame() for _ in range(round(seconds / (STEP_S * STEPS_PER_FRAME)))]
    return frames, lambda name: np.concatenate([getattr(frame, name) for frame in frames], axis=-1)


def stopped(scenario, within_s):
    life = Life(scenario)
    while life.stop is None and within_s > 0:
        life.frame()
        within_s -= STEP_S * STEPS_PER_FRAME
    return life.stop


def test_the_same_scenario_gives_the_same_bytes():
    """How time is served changes nothing; another seed, pack or kind of work does."""
    scenario = Scenario(HERON, 7)
    once = counts_until(VirtualRig(scenario), 6.0)
    assert once == counts_until(VirtualRig(scenario), *np.arange(0, 6.01, 0.013), 6.0)
    for other in (replace(scenario, seed=8), replace(scenario, pack=PACKS["wren"]), with_work("stall")):
        assert once != counts_until(VirtualRig(other), 6.0)


def with_work(work, **changes):
    return replace(Scenario(HERON, 7), work=work, **changes)


@pytest.mark.parametrize("work", KINDS)
def test_every_kind_of_work_draws_current(work):
    """After its first rest each kind of work loads the pack, and the pack sags."""
    _, joined = live(with_work(work), 12.0)
    assert joined("current_a")[:2500] == pytest.approx(Tool().idle_a)
    assert joined("current_a").max() > 6
    assert joined("pack_v").min() < joined("pack_v")[0] - 0.2


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault not in {"none", "link_lost"}])
@pytest.mark.parametrize("pack", PACKS)
def test_every_fault_stops_for_its_reason(pack, fault):
    """Within two minutes of work, and then the current is zero for good and the voltage recovers."""
    scenario = with_fault(Scenario(PACKS[pack], 3), fault)
    stop = stopped(scenario, 120.0)
    assert stop is not None
    assert stop.cause == fault
    _, joined = live(scenario, stop.time_s + 5.0)
    after = joined("time_s") > stop.time_s
    assert not joined("current_a")[after].any()
    assert joined("pack_v")[-1] > joined("pack_v")[after].min()


def test_the_evidence_of_a_fault_lies_in_its_channels():
    """One group low, all groups low, a voltage lost between groups and terminals: each as it would be."""

    def last_second(fault):
        scenario = with_fault(Scenario(HERON, 3), fault)
        _, joined = live(scenario, round(stopped(scenario, 120.0).time_s, 2))
        return joined("group_v")[:, -100:].mean(axis=1), joined("pack_v")[-100:].mean()

    weak, _ = last_second("weak_group")
    assert weak.argmin() == 3
    assert np.delete(weak, 3).min() - weak[3] > 0.3
    resistive, _ = last_second("high_resistance_group")
    assert resistive.argmin() == 6
    assert np.delete(resistive, 6).min() - resistive[6] > 0.3
    for alike in ("empty", "high_resistance_pack"):
        groups, pack_v = last_second(alike)
        assert np.ptp(groups) < 0.25
        assert pack_v == pytest.approx(groups.sum(), abs=0.01)
    groups, pack_v = last_second("joint")
    assert groups.min() > HERON.cutoff_v_per_group + 0.3
    assert groups.sum() - pack_v > 5.0


def test_nothing_wrong_nothing_stops():
    """Three minutes of cuts, stalls or free runs of a sound, full pack go on."""
    for work in ("cuts", "stall", "free_run"):
        assert stopped(with_work(work), 180.0) is None


def test_a_run_down_ends_with_an_empty_pack():
    """Under a steady load the pack gives its capacity, less what the cut-off leaves in it."""
    scenario = Scenario(PACKS["wren"], 2, work="run_down")
    stop = stopped(scenario, 600.0)
    assert stop.cause == "empty"
    _, joined = live(scenario, stop.time_s)
    assert joined("current_a").sum() * STEP_S / 3600 == pytest.approx(2.5, rel=0.08)


def test_the_logger_falls_silent_under_load():
    """link_lost: bytes end while the saw cuts; pack and saw live on."""
    rig = virtual_rig(parse_address("sim:polesaw?fault=link_lost"))
    host = HostLink()
    host.open(0.0)
    rig.receive(host.outgoing())
    assert rig.outgoing(1000)
    rig.advance_to(40.0)
    rig.receive(b"\x05\x01\x01\x3e\x1f\x00")
    assert rig.outgoing(1000) == b""
    assert rig.truth(15_000, 20_000).charge_ah > 0.005


def test_a_smaller_pack_takes_longer_over_the_same_limb():
    """From contact to severance: the lower voltage turns the saw more slowly."""
    durations = {}
    for name, pack in PACKS.items():
        frames, _ = live(Scenario(pack, 5), 30.0)
        cuts = [cut for frame in frames for cut in frame.cuts]
        durations[name] = [cut.severance_s - cut.contact_s for cut in cuts]
    assert all(
        a > b > c for a, b, c in zip(*(durations[n] for n in ("wren", "heron", "albatross")), strict=False)
    )
    assert min(map(len, durations.values())) >= 3


# Physics in closed form


def test_groups_and_joint_make_the_pack():
    """Kirchhoff: the groups' voltages less what the joint takes are the pack's, the rig takes the rest."""
    scenario = Scenario(HERON, 1, condition=Condition(charge=0.8, joint_ohm=0.05))
    _, joined = live(scenario, 12.0)
    current = joined("current_a")
    np.testing.assert_allclose(joined("pack_v"), joined("group_v").sum(axis=0) - 0.05 * current, atol=2e-4)
    np.testing.assert_allclose(joined("tool_v"), joined("pack_v") - scenario.rig_ohm * current, atol=1e-9)


def test_free_run_is_where_torque_meets_friction():
    """k I = friction + drag w, and U = k w + R I: two equations for the speed at full trigger."""
    tool = Tool(ripple=0.0)
    _, joined = live(with_work("free_run", tool=tool), 5.4)
    tool_v, current = joined("tool_v")[-1], joined("current_a")[-1] - tool.idle_a
    speed = (tool_v * EMF / tool.winding_ohm - tool.friction_nm) / (
        EMF**2 / tool.winding_ohm + tool.drag_nm_s
    )
    assert joined("speed_rpm")[-1] == pytest.approx(speed * 60 / (2 * np.pi), rel=2e-3)
    assert EMF * current == pytest.approx(tool.friction_nm + tool.drag_nm_s * speed, rel=1e-2)


def test_a_stall_draws_what_the_clamp_allows():
    """At standstill the motor carries the clamp's current, the pack gives just its heat: U I = R I_m^2."""
    tool = Tool(ripple=0.0, chop_swing=0.0)
    _, joined = live(with_work("stall", tool=tool), 3.5)
    assert joined("motor_a")[-1] == pytest.approx(tool.clamp_a)
    assert joined("speed_rpm")[-1] == 0
    drawn_w = joined("tool_v")[-1] * (joined("current_a")[-1] - tool.idle_a)
    assert drawn_w == pytest.approx(tool.winding_ohm * tool.clamp_a**2, rel=5e-3)


def test_energy_goes_where_it_must():
    """Over whole cuts: what reaches the tool is winding heat, friction and cutting work (within 1 %)."""
    tool = Tool(ripple=0.0, chop_swing=0.0)
    _, joined = live(Scenario(HERON, 4, tool=tool), 25.0)
    speed = joined("speed_rpm") * 2 * np.pi / 60
    given = (joined("tool_v") * (joined("current_a") - tool.idle_a)).sum() * STEP_S
    heat = tool.winding_ohm * (joined("motor_a") ** 2).sum() * STEP_S
    friction = ((tool.friction_nm + tool.drag_nm_s * speed) * speed).sum() * STEP_S
    cutting = (TORQUE_NM_N * joined("feed_n") * speed).sum() * STEP_S
    left = tool.inertia_kg_m2 * speed[-1] ** 2 / 2
    assert given == pytest.approx(heat + friction + cutting + left, rel=0.01)


def test_cutting_work_is_section_times_specific_energy():
    """The wood takes 0.42 J for each square millimetre, however fast it is cut."""
    _, joined = live(Scenario(HERON, 4), 12.0)
    turned = joined("speed_rpm") * 2 * np.pi / 60 * STEP_S
    section = (BITE_MM2_RAD_N * joined("feed_n") * turned).sum()
    assert (joined("torque_nm") * turned).sum() == pytest.approx(CUTTING_ENERGY_J_MM2 * section)
    assert section > 5000


def test_braking_returns_charge():
    """At release the motor feeds the pack for a moment, then the saw stands."""
    _, joined = live(Scenario(HERON, 4), 9.5)
    braking = joined("current_a") < -1
    assert 0.1 < braking.sum() * STEP_S < 2.0
    assert joined("pack_v")[braking].max() > joined("pack_v")[0]


def test_chopping_swings_the_current():
    """Power is the mean of the product, not of the means: the swing costs R times its variance."""
    swinging, smooth = (
        live(with_work("free_run", tool=Tool(ripple=0.0, chop_swing=swing)), 3.3)[1] for swing in (1.0, 0.0)
    )
    overstated_w = swinging("pack_v") * swinging("current_a") - swinging("power_w")
    assert overstated_w.min() > -1e-9
    assert overstated_w.max() > 10
    np.testing.assert_allclose(smooth("pack_v") * smooth("current_a"), smooth("power_w"), atol=1e-9)


def test_cold_raises_the_resistance():
    """Arrhenius: 25 degC is the reference, at 0 degC it is 1.85 times as much, and the sag says so."""
    assert resistance_at(25.0) == 1.0
    assert resistance_at(0.0) == pytest.approx(np.exp(2000 * (1 / 273.15 - 1 / 298.15)))
    lowest = [
        live(Scenario(HERON, 1, condition=Condition(pack_degc=degc, ambient_degc=degc)), 8.0)[1](
            "pack_v"
        ).min()
        for degc in (-10.0, 25.0)
    ]
    assert lowest[0] < lowest[1] - 1.5


def test_heat_warms_the_pack():
    """Insulated, all that R0 and both pairs take becomes warmth, by filters made here (within 1 %)."""
    pack = replace(HERON, cooling_w_per_k=0.0)
    frames, joined = live(
        Scenario(pack, 1, work="run_down", tool=Tool(ripple=0.0, chop_swing=0.0)), seconds := 60.0
    )
    current = joined("current_a")
    degc = np.repeat([frame.pack_degc for frame in frames], STEPS_PER_FRAME)
    factor = np.array([resistance_at(one) for one in degc])
    groups = Life(Scenario(pack, 1)).groups
    heat_w = groups.r0_ohm.sum() * current**2
    for ohm, tau_s in ((groups.r1_ohm, pack.tau1_s), (groups.r2_ohm, pack.tau2_s)):
        held, filtered = 0.0, np.empty_like(current)
        for at, value in enumerate(current.tolist()):
            filtered[at] = held
            held += (value - held) * -np.expm1(-STEP_S / tau_s)
        heat_w = heat_w + ohm.sum() * filtered**2
    warmed_j = (frames[-1].pack_degc - 22.0) * pack.heat_capacity_j_per_k
    assert warmed_j == pytest.approx((heat_w * factor).sum() * STEP_S, rel=0.01)
    assert warmed_j > 20 * seconds


# Sensors


def test_the_sensors_add_no_bias():
    """Over the first rest the mean error stays within four standard errors of zero; noise is as stated."""
    stream = stream_of(seed=4, seconds=3.0)
    rows = columns_of(Run(Opening(0, stream.logger)).receive(MessageReader().receive(stream.wire)).ordered)
    at_rest = rows["tick_us"] < 2_900_000
    error = rows["current_a"][at_rest].astype(float) - 0.03
    assert abs(error.mean()) < 4 * 0.04 / np.sqrt(at_rest.sum())
    assert error.std() == pytest.approx(0.04, rel=0.1)


def test_imperfect_sensors_are_off_by_what_they_are_told():
    """Gain and offset of a scenario shift the counts, and nothing else."""
    off = Imperfection(current_gain=1.02, current_offset_a=0.4, noise=0.0)
    for scenario, gain, offset in ((with_work("cuts", imperfection=off), 1.02, 0.4),):
        for sensed, _ in zip(sense(scenario), range(80), strict=False):
            true = sensed.lived.current_a.reshape(-1, 2).mean(axis=1)
            np.testing.assert_allclose(sensed.counts[0] * 0.005, true * gain + offset, atol=0.0026)


def test_a_current_beyond_the_range_clips():
    """The counts stop at the end of the range that the description names."""
    sensor = sensors_for(1)[0]
    random = np.random.default_rng(1)
    assert sensor.counts(np.array([1000.0, -1000.0]), random).tolist() == [32000, -32000]
    assert float(sensor.channel.range_high) == 160.0


def test_a_tachometer_never_holds_its_last_reading():
    """When pulses stop the reading falls as an upper bound, 60 / (pulses x age), and is 0 after a second."""
    tachometer = Tachometer(pulses_per_rev=2)
    times = np.arange(1, 2501) * 0.001
    turns = np.minimum(times, 0.5) * 70.0  # 4200 rpm, then a dead stop at 0.5 s
    asked = np.arange(0.01, 2.5, 0.01)
    readings = tachometer.readings(times, turns, asked)
    running = (asked > 0.03) & (asked <= 0.5)
    np.testing.assert_allclose(readings[running], 4200.0, rtol=2e-3)
    after = asked > 0.51
    assert (np.diff(readings[after]) <= 0).all()
    bound = after & (asked < 0.5 + SILENT_AFTER_S - 0.02)
    np.testing.assert_allclose(readings[bound], 30.0 / (asked[bound] - 0.5), rtol=0.05)
    assert not readings[asked > 0.51 + SILENT_AFTER_S].any()


def test_a_tachometer_does_not_mind_where_frames_end():
    """Pulses are timed across the seams of frames."""
    times = np.arange(1, 1001) * 0.001
    turns = np.cumsum(np.linspace(0.0, 0.08, 1000))
    asked = np.arange(0.01, 1.0, 0.01)
    whole = Tachometer(2).readings(times, turns, asked)
    parted, parts = Tachometer(2), []
    for start in range(0, 1000, 50):
        part = slice(start, start + 50)
        due = asked[(asked > times[part][0] - 0.0005) & (asked <= times[part][-1] + 0.0005)]
        parts.append(parted.readings(times[part], turns[part], due))
    np.testing.assert_allclose(np.concatenate(parts), whole, rtol=0.02)


def test_standstill_is_no_clipping():
    """A speed of 0 is a reading like any other."""
    from capture.decoding import ColumnDecoder

    speed = sensors_for(1)[2].channel
    decoder = ColumnDecoder.of(speed, "speed_rpm")
    readings, clipped = decoder.readings(np.zeros((1, 2), dtype=np.uint8), 0.0)
    assert (readings.tolist(), clipped.tolist()) == ([0.0], [False])


def test_a_frame_fits_the_wire():
    """With every channel, whatever is due in it, a frame of samples stays within a payload."""
    sensors = sensors_for(HERON.series)
    layer = RowLayer(sensors, 25)
    sizes = set()
    for first in range(0, 1500, 25):
        index = np.arange(first, first + 25)
        counts = [np.zeros((index % sensor.channel.divisor == 0).sum(), dtype=np.int64) for sensor in sensors]
        sizes.add(len(layer.rows(first, counts)))
    assert max(sizes) + 11 <= MAX_PAYLOAD_BYTES


# The rig as a logger


def test_what_is_written_waits_for_the_reader():
    """The rig lives in one thread: what another one writes is obeyed at the next read, not before."""
    link = VirtualLink("sim:x", VirtualRig(Scenario()))
    host = HostLink()
    host.open(0.0)
    link.write(host.outgoing())
    assert link.rig.outgoing(1000) == b""
    assert link.read() != b""


def test_a_restarted_logger_counts_from_zero():
    """Another boot id, an index that begins anew with all channels due, and a ring that holds nothing."""
    rig = VirtualRig(Scenario())
    before = rig.logger.identity
    rig.advance_to(2.0)
    rig.restart()
    taken = counts_until(rig, 6.0)
    assert rig.logger.identity == replace(before, boot_id=(before.boot_id + 1) % 2**32)
    assert [tick for tick, _ in taken][:2] == [2000, 52_000]
    assert before.ring_samples == RING_SAMPLES


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("sim:oven", "no virtual rig"),
        ("sim:polesaw?colour=red", "colour"),
        ("sim:polesaw?pack=stork", "wren, heron, albatross"),
        ("sim:polesaw?work=sleep", "run_down"),
        ("sim:polesaw?fault=bad_luck", "weak_group"),
        ("sim:polesaw?charge=120", "from 1 to 100"),
        ("sim:polesaw?ambient=hot", "from -20 to 50"),
        ("sim:polesaw?seed=0", "above zero"),
    ],
)
def test_addresses_that_make_no_sense_are_told(address, told):
    """One line says what is wrong and what there is."""
    from capture.errors import InputError

    with pytest.raises(InputError, match=told):
        virtual_rig(parse_address(address))


def test_an_address_sets_the_scene():
    """Pack, seed, work, charge and ambient come from the address."""
    rig = virtual_rig(parse_address("sim:polesaw?pack=wren&seed=3&work=run_down&charge=80&ambient=5"))
    scenario = rig.scenario
    assert (scenario.pack.name, scenario.seed, scenario.work) == ("wren", 3, "run_down")
    assert scenario.condition == Condition(0.8, 5.0, 5.0)


def test_the_open_circuit_curve_rises():
    """More charge, more voltage, from 2.5 V empty to 4.2 V full, held beyond either end."""
    assert np.all(np.diff(NMC_VOLTS) > 0)
    assert nmc_voltage(np.array([-0.1, 0.0, 1.0, 1.1])).tolist() == [2.5, 2.5, 4.2, 4.2]
