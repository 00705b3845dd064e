"""The virtual rig is deterministic, physical, and knows its truth."""

import numpy as np
import pytest
from logger_streams import columns_of, stream_of

from capture.links.virtual import VirtualLink
from capture.model.open_circuit import NMC_VOLTS, nmc_voltage
from capture.model.pack import PACKS, Pack
from capture.model.rig import VirtualRig
from capture.model.work import CuttingLoad
from capture.opening import Opening
from capture.run import Run
from firmware_protocol.host_link import HostLink, MessageReader


def counts_until(rig, *moments):
    bodies = []
    rig.logger.sample = lambda tick, _count, body: bodies.append((tick, body))
    for moment in moments:
        rig.advance_to(moment)
    return bodies


def test_the_same_seed_gives_the_same_bytes():
    """How time is served changes nothing; another seed or pack does."""
    once = counts_until(VirtualRig(PACKS["heron"], 7), 9.0)
    in_steps = counts_until(VirtualRig(PACKS["heron"], 7), *np.arange(0, 9.01, 0.013), 9.0)
    assert once == in_steps
    assert once != counts_until(VirtualRig(PACKS["heron"], 8), 9.0)
    assert once != counts_until(VirtualRig(PACKS["wren"], 7), 9.0)


def test_work_does_not_depend_on_how_time_is_cut():
    """The current at a moment is the same whether it is asked for alone or among others."""
    times = np.arange(0.0, 30.0, 0.01)
    whole = CuttingLoad(3).current(times)
    piecewise = CuttingLoad(3)
    parts = np.concatenate(
        [piecewise.current(times[start : start + 111]) for start in range(0, len(times), 111)]
    )
    np.testing.assert_allclose(parts, whole, rtol=0, atol=1e-12)


def test_more_capacity_sags_less():
    """At the same work wren sags more than heron, heron more than albatross."""
    sag = {
        name: float(np.diff(PACKS[name].voltage(np.array([30.0, 0.0]), np.array([0.0, 0.0])))[0])
        for name in ("wren", "heron", "albatross")
    }
    assert sag["wren"] > sag["heron"] > sag["albatross"] > 0
    assert sag["heron"] == pytest.approx(30.0 * PACKS["heron"].resistance_ohm)


def test_truth_is_the_integral_of_the_work():
    """The model's charge is the integral of its work's current, in steps half as long, to 1e-6."""
    rig = VirtualRig(PACKS["heron"], 2)
    first, end = 100, 20_101
    steps = 16
    times = (np.arange(first * steps, (end - 1) * steps) + 0.5) * 0.002 / steps - 0.001
    charge_ah = CuttingLoad(2).current(times).sum() * (0.002 / steps) / 3600
    assert rig.truth(first, end).charge_ah == pytest.approx(charge_ah, rel=1e-6)


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


def test_an_empty_pack_switches_off():
    """Below its cut-off the pack carries nothing for good, and the current says so."""
    tiny = Pack("tiny", 10, 0.05, 0.11)
    bodies = counts_until(VirtualRig(tiny, 1), 60.0)
    counts = np.frombuffer(
        b"".join(body for _, body in bodies), dtype=[("current", "<i2"), ("voltage", "<u2")]
    )
    assert counts["current"].max() * 0.005 > 20
    assert np.abs(counts["current"][-5000:]).max() * 0.005 < 0.5
    truth = VirtualRig(tiny, 1).truth(0, 30_000)
    assert truth.charge_ah < tiny.capacity_ah


def test_the_open_circuit_curve_rises():
    """More charge, more voltage, from 2.5 V empty to 4.2 V full, held beyond either end."""
    assert np.all(np.diff(NMC_VOLTS) > 0)
    assert nmc_voltage(np.array([-0.1, 0.0, 1.0, 1.1])).tolist() == [2.5, 2.5, 4.2, 4.2]
