"""The virtual rig as a whole: deterministic, started by the stream, and its truth beside the bytes."""

import gc
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logger_streams import columns_of, stream_of

from capture.links.virtual import VirtualLink
from capture.model.life import Life
from capture.model.pack import PACKS
from capture.model.rig import SAMPLES_PER_FRAME, VirtualRig
from capture.model.scenario import Scenario
from capture.model.sensors import SENSORS
from capture.model.stops import StopCause
from capture.model.work import WorkKind
from capture.open_circuit import NMC_VOLTS, nmc_voltage
from capture.run import Opening, Run
from firmware_protocol.codec import encode
from firmware_protocol.framing import encode_frame
from firmware_protocol.host_link import HostLink, MessageReader
from firmware_protocol.messages import Samples, Start
from firmware_protocol.wire import MAX_PAYLOAD_BYTES


def started(rig):
    rig.receive(encode_frame(encode(Start(1))))
    return rig


def bytes_until(rig, *moments, limit=1 << 20):
    """Return what a started rig sends while time is served in steps, and the wire `limit` bytes a call."""
    sent = bytearray()
    for moment in moments:
        rig.advance_to(moment)
        while part := rig.outgoing(limit):
            sent += part
    return bytes(sent)


@settings(max_examples=8, deadline=None)
@given(cuts=st.lists(st.floats(0.0, 6.0), max_size=12), limit=st.integers(1, 3000))
def test_the_same_seed_gives_the_same_bytes(cuts, limit):
    """However time and wire are served, the bytes are the same."""
    whole = bytes_until(started(VirtualRig(PACKS["heron"], 7)), 6.0)
    assert bytes_until(started(VirtualRig(PACKS["heron"], 7)), *sorted(cuts), 6.0, limit=limit) == whole


def test_another_seed_pack_work_or_fault_gives_other_bytes():
    """Each choice tells."""
    choices = [
        {},
        {"seed": 8},
        {"pack": PACKS["wren"]},
        {"work": "free_run"},
        {"fault": "joint"},
        {"charge": 0.5},
        {"ambient_degc": 3.0},
    ]
    lives = {
        bytes_until(started(VirtualRig(**{"pack": PACKS["heron"], "seed": 7} | c)), 4.0) for c in choices
    }
    assert len(lives) == len(choices)


def test_boot_ids_come_from_the_seed():
    """A life's logger has the same boot id again; another seed's another."""
    boots = [VirtualRig(PACKS["heron"], seed).logger.identity.boot_id for seed in (1, 1, 2)]
    assert boots[0] == boots[1] != boots[2]
    assert VirtualRig(PACKS["heron"], 1, boot_id=9).logger.identity.boot_id == 9


def messages_of(wire):
    return [message for message in MessageReader().receive(wire) if isinstance(message, Samples)]


def test_a_restarted_logger_counts_anew_and_the_pack_lives_on():
    """After a restart the index begins at 0 under a new boot id; the pack's life is the same as without."""
    rig, twin = started(VirtualRig(PACKS["wren"], 2)), VirtualRig(PACKS["wren"], 2)
    before = bytes_until(rig, 5.0)
    old_boot = rig.logger.identity.boot_id
    rig.restart()
    after = messages_of(bytes_until(started(rig), 8.0))
    assert rig.logger.identity.boot_id != old_boot
    assert {message.boot_tag for message in after} == {rig.logger.identity.boot_id & 0xFF}
    assert (after[0].first_index, after[0].tick_us) == (0, 0)
    assert messages_of(before)[-1].first_index + SAMPLES_PER_FRAME == 2500
    assert rig.truth(0, 1000).energy_wh == pytest.approx(twin.truth(2500, 3500).energy_wh, rel=1e-12)
    current = np.concatenate([np.frombuffer(message.rows[:2], "<i2") for message in after]) * 0.005
    truth = np.concatenate([lived.truth.current_a for lived in twin.lived(0, 4000)])[2500:]
    np.testing.assert_allclose(current, truth[: 25 * len(current) : 25], atol=0.3)


def test_every_frame_fits_even_in_the_worst_case():
    """The longest run of rows that any first index can give stays within a payload (SPEC 2)."""
    divisors = [sensor.channel.divisor for sensor in SENSORS]
    rig = VirtualRig(PACKS["heron"], 1)
    worst = max(
        len(encode(Samples(0, 0, 0, SAMPLES_PER_FRAME, bytes(_rows_bytes(rig, first)))))
        for first in range(0, int(np.lcm.reduce(divisors)), SAMPLES_PER_FRAME)
    )
    assert worst <= MAX_PAYLOAD_BYTES
    assert worst > MAX_PAYLOAD_BYTES / 2


def _rows_bytes(rig, first):
    from firmware_protocol.layout import RowLayout

    return RowLayout.of(rig.logger.channels).rows_bytes(first, SAMPLES_PER_FRAME)


@pytest.mark.parametrize("work", list(WorkKind))
def test_the_truth_is_the_fine_wave_summed(work):
    """Charge and energy are those of the chopped, rippled wave, drawn finely and summed without the model."""
    rig, first, end = VirtualRig(PACKS["heron"], 2, work=work), 1400, 3301
    charge_c = energy_j = 0.0
    phase = (np.arange(4000) + 0.5) / 4000
    for lived in rig.lived(first, end):
        truth = lived.truth
        for step in range(len(truth.current_a)):
            sample = truth.first_sample + step
            weight = 0.5 * ((first <= sample < end - 1) + (first < sample <= end - 1))
            on = phase < truth.duty[step]
            ripple = 1 + 0.06 * np.sin(2 * np.pi * 20 * phase / max(truth.duty[step], 1e-9))
            current = truth.idle_a[step] + truth.motor_a[step] * ripple * on
            voltage = truth.source_v[step] - truth.pack_ohm * current
            charge_c += weight * current.mean() * 0.002
            energy_j += weight * (current * voltage).mean() * 0.002
    told = rig.truth(first, end)
    assert told.charge_ah == pytest.approx(charge_c / 3600, rel=2e-4)
    assert told.energy_wh == pytest.approx(energy_j / 3600, rel=2e-4)
    assert told.energy_wh > 0


def test_means_of_a_chopped_current_overstate_energy():
    """Against a locked spindle mean volts times mean amperes exceed the mean of the product, by R times the
    variance of the current; at full trigger, unclamped, they hardly do.
    """
    stall = [lived.truth for lived in VirtualRig(PACKS["heron"], 1, work="stall").lived(1500, 1700)]
    product = np.concatenate([truth.voltage_v * truth.current_a for truth in stall])
    power = np.concatenate([truth.power_w for truth in stall])
    variance = np.concatenate([truth.current_square_a2 - truth.current_a**2 for truth in stall])
    np.testing.assert_allclose(product - power, stall[0].pack_ohm * variance, rtol=1e-2, atol=1e-6)
    assert product.sum() > 1.03 * power.sum()


def test_the_sensors_add_no_bias():
    """Over the first rest the mean error stays within four standard errors of zero; noise is as stated."""
    stream = stream_of(seed=4, seconds=3.0)
    rows = columns_of(Run(Opening(0, stream.logger)).receive(MessageReader().receive(stream.wire)).ordered)
    at_rest = rows["tick_us"] < 2_900_000
    error = rows["current_a"][at_rest].astype(float) - 0.03
    assert abs(error.mean()) < 4 * 0.04 / np.sqrt(at_rest.sum())
    assert error.std() == pytest.approx(0.04, rel=0.1)


def test_what_is_written_waits_for_the_reader():
    """The rig lives in one thread: what another one writes is obeyed at the next read, not before."""
    link = VirtualLink("sim:x", VirtualRig(PACKS["heron"], 1))
    host = HostLink()
    host.open(0.0)
    link.write(host.outgoing())
    assert link.rig.outgoing(1000) == b""
    assert link.read() != b""


def test_a_logger_that_goes_silent_does_so_under_load():
    """With the link lost no byte comes and no command is answered any more; the pack lives on."""
    rig = started(VirtualRig(PACKS["heron"], 1, fault=StopCause.LINK_LOST))
    samples = messages_of(bytes_until(rig, 30.0))
    (stop,) = rig.events(15_000).stops
    assert stop.cause is StopCause.LINK_LOST
    last = samples[-1].first_index + SAMPLES_PER_FRAME
    assert samples[-1].first_index <= round(stop.time_s / 0.002) < last
    assert np.frombuffer(samples[-1].rows[:2], "<i2")[0] * 0.005 > 3.0
    rig.receive(encode_frame(encode(Start(2))))
    assert bytes_until(rig, 31.0) == b""
    assert rig.truth(last, last + 2500).energy_wh > 0.1
    rig.restart()
    assert messages_of(bytes_until(started(rig), 32.0))


@settings(max_examples=25, deadline=None)
@given(
    pack=st.sampled_from(sorted(PACKS)),
    seed=st.integers(1, 10**9),
    work=st.sampled_from(list(WorkKind)),
    fault=st.sampled_from(list(StopCause)),
    charge=st.none() | st.floats(0.0, 1.0),
    ambient_degc=st.none() | st.floats(-20.0, 50.0),
)
def test_no_scenario_leaves_the_physical(pack, seed, work, fault, charge, ambient_degc):
    """Whatever is asked for, waveforms are finite and within what pack, limiter and brake allow."""
    scenario = Scenario(PACKS[pack], seed, work, fault, charge, ambient_degc)
    for stretch, _ in zip(Life(scenario), range(50), strict=False):
        for name in ("current_a", "voltage_v", "power_w", "group_v", "speed_rad_per_s", "torque_nm"):
            assert np.isfinite(getattr(stretch, name)).all(), name
        assert np.all((stretch.duty >= 0) & (stretch.duty <= 1))
        assert np.all((stretch.current_a > -12.5) & (stretch.current_a < 113))
        assert np.all((stretch.voltage_v > 0) & (stretch.voltage_v < 46))
        assert np.all(stretch.heat_w >= 0)
        assert np.all(stretch.current_square_a2 >= stretch.current_a**2 * (1 - 1e-12))


def test_nothing_is_kept_of_what_went_by():
    """A rig that nobody reads from takes no more memory after thirty seconds than after ten."""

    def held():  # by the model alone: other tests leave threads and garbage of their own
        gc.collect()
        ours = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(True, "*/capture/model/*")])
        return sum(trace.size for trace in ours.traces)

    rig = VirtualRig(PACKS["heron"], 1)
    tracemalloc.start()
    rig.advance_to(10.0)
    before = held()
    rig.advance_to(30.0)
    grown = held() - before
    tracemalloc.stop()
    assert grown < 20_000  # the samples of these twenty seconds alone are 75,000 bytes on the wire


def test_the_open_circuit_curve_rises():
    """More charge, more voltage, from 2.5 V empty to 4.2 V full, held beyond either end."""
    assert np.all(np.diff(NMC_VOLTS) > 0)
    assert nmc_voltage(np.array([-0.1, 0.0, 1.0, 1.1])).tolist() == [2.5, 2.5, 4.2, 4.2]
