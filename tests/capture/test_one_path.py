"""The one path: the same run gives the same columns whatever lies between logger and file."""

import os

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logger_streams import assert_same_rows, columns_of
from noisy_link import DeafLink, NoisyLink, PulledLink, SlowWire
from waiting import wait_for

from capture.engine import backfill
from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import LinkState, RecordingState
from capture.links.address import parse_address
from capture.links.pseudo_terminal import PseudoTerminalLogger
from capture.links.serial_port import SerialLink
from capture.links.virtual import VirtualLink
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig, live
from capture.model.scenario import Scenario
from capture.model.sensors import SENSORS
from capture.opening import Opening
from capture.run import Run
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.storage.recovery import recover
from capture.summary import summarise
from firmware_protocol.host_link import MessageReader

SEED = 11
SECONDS = 8.0
SPEED = 20.0


def rig():
    return VirtualRig(PACKS["heron"], SEED)


def virtual(speed=SPEED):
    return VirtualLink("sim:test", rig(), speed)


def saved(snapshot):
    return snapshot.recording.state is RecordingState.SAVED


def recorded(link, folder, **settings_):
    """Record `SECONDS` from `link`; return the recording and the last snapshot."""
    told = {"record_at_once": True, "seconds": SECONDS, "reconnect_s": 30.0, **settings_}
    session = Session(link, Settings(folder, RunCard(pack="heron"), **told))
    session.open()
    try:
        snapshot = wait_for(session, saved, timeout_s=60.0)
    finally:
        session.close()
    return open_recording(snapshot.recording.path), snapshot


def table(recording):
    return pq.read_table(recording.path)


def stopped_and_recovered(session, folder):
    """Stop the recording in `folder`; its journal must give the same. Return the recording and a snapshot."""
    (journal,) = folder.glob("*.journal")
    copied = folder.with_name("copied")
    copied.mkdir()
    os.link(journal, copied / journal.name)  # the same bytes, kept when the sealed run removes its own name
    session.stop_recording()
    snapshot = wait_for(session, saved, timeout_s=30.0)
    session.close()
    sealed = open_recording(snapshot.recording.path)
    back = open_recording(recover(copied / journal.name).recording)
    assert table(back).equals(table(sealed))
    assert back.document == sealed.document
    assert summarise(back).figures == summarise(sealed).figures == snapshot.figures
    return sealed, snapshot


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    """The run over a line that does nothing to it, in memory."""
    recording, snapshot = recorded(virtual(), tmp_path_factory.mktemp("clean"))
    assert (recording.rows, snapshot.link.lost_samples) == (4000, 0)
    return recording


def test_the_file_carries_what_the_sensors_said(clean):
    """Byte-exact path: every column is the model's counts times scale, rounded once; null where not due."""
    scenario = Scenario(PACKS["heron"], SEED)
    counted = np.concatenate(
        [lived.counts for lived, _ in zip(live(scenario), range(40), strict=False)], axis=1
    )
    columns = table(clean)
    for number, sensor in enumerate(SENSORS):
        exact = counted[number] * float(sensor.channel.scale) + float(sensor.channel.offset)
        due = np.arange(4000) % sensor.channel.divisor == 0
        expected = np.where(due, exact, np.nan).astype(np.float32)
        stored = columns.column(2 + number)
        assert stored.null_count == np.isnan(expected).sum()
        np.testing.assert_array_equal(stored.to_numpy(zero_copy_only=False), expected)
    assert len(SENSORS) == 16


def test_through_a_serial_port(tmp_path, clean):
    """A pseudo-terminal and pyserial in between change nothing."""
    with PseudoTerminalLogger(rig(), SPEED) as port:
        recording, _ = recorded(SerialLink(parse_address(f"serial:{port.path}")), tmp_path)
    assert table(recording).equals(table(clean))


@pytest.mark.parametrize("seed", range(3))
def test_over_a_noisy_line(tmp_path, clean, seed):
    """Bytes damaged and lost both ways: all samples are there, recovered from the logger's ring."""
    link = NoisyLink(virtual(), seed, byte_errors=3e-4, losses=0.02)
    recording, snapshot = recorded(link, tmp_path)
    assert link.damaged_bytes > 0
    assert link.lost_bytes > 0
    assert snapshot.link.recovered_samples > 0
    assert snapshot.link.lost_samples == 0
    assert table(recording).equals(table(clean))
    assert summarise(recording).figures == summarise(clean).figures == snapshot.figures


def test_over_a_noisy_serial_line(tmp_path, clean):
    """The same on a serial port."""
    with PseudoTerminalLogger(rig(), SPEED) as port:
        link = NoisyLink(SerialLink(parse_address(f"serial:{port.path}")), 5, byte_errors=3e-4, losses=0.01)
        recording, snapshot = recorded(link, tmp_path)
    assert snapshot.link.recovered_samples > 0
    assert table(recording).equals(table(clean))


def test_over_a_serial_port_that_is_unplugged(tmp_path, clean):
    """The port vanishes and comes back under its name: pyserial, session and ring make one run of it."""
    world, name = rig(), tmp_path / "port"
    session = Session(
        SerialLink(parse_address(f"serial:{name}")),
        Settings(tmp_path, RunCard(pack="heron"), record_at_once=True, seconds=SECONDS, reconnect_s=30.0),
    )
    with PseudoTerminalLogger(world, 4.0) as port:
        name.symlink_to(port.path)
        session.open()
        wait_for(session, lambda snapshot: snapshot.recording.samples > 1000)
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.RECONNECTING)
    name.unlink()
    world.advance_to(4.0)
    assert world.outgoing(1 << 20), "the logger sends on, to nobody"
    with PseudoTerminalLogger(world, 4.0) as port:
        name.symlink_to(port.path)
        snapshot = wait_for(session, saved, timeout_s=30.0)
        session.close()
    recording = open_recording(snapshot.recording.path)
    assert table(recording).equals(table(clean))
    assert snapshot.link.recovered_samples > 0
    assert "went away" in recording.document["links"][0]["lost"]


@pytest.mark.parametrize("in_vain", [0, 2], ids=["back at once", "back at the third attempt"])
def test_over_a_pulled_cable(tmp_path, clean, in_vain):
    """The cable is pulled three times: the logger lives on, the rest of the run comes from its ring."""
    link = PulledLink(virtual(5.0), [5_000, 9_000, 20_000], in_vain)
    recording, snapshot = recorded(link, tmp_path)
    assert link.pulled == 3
    assert snapshot.link.recovered_samples > 0
    assert table(recording).equals(table(clean))
    lost = [one["lost"] for one in recording.document["links"]]
    assert len([why for why in lost if why]) == 3
    assert lost[-1] is None, "it came back"
    assert not recording.document["interrupted"]


def test_over_a_slow_line_a_long_resend_comes_through(tmp_path, clean):
    """At 115,200 baud a thousand samples take longer to send again than a host waits before it repeats."""
    world = rig()
    wire = SlowWire(VirtualLink("sim:test", world, most_bytes=64), 11_520)
    link = PulledLink(wire, [6_000], attempts_in_vain=2)

    def sent_into_the_void():
        world.advance_to(4.0)
        world.outgoing(1 << 20)

    link.when_back = sent_into_the_void
    recording, snapshot = recorded(link, tmp_path, seconds=6.0)
    assert snapshot.link.recovered_samples > 800
    assert table(recording).equals(table(clean).slice(0, 3000))


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 2**32), sizes=st.lists(st.sampled_from([1, 5, 64, 999]), min_size=1))
def test_replayed_bytes_in_any_chunks(stream, whole_rows, seed, sizes):
    """The captured bytes again, cut elsewhere, some stretches twice: the same rows."""
    run, reader, blocks, at, turn = Run(Opening(0, stream.logger)), MessageReader(), [], 0, seed
    while at < len(stream.wire):
        size = sizes[turn % len(sizes)]
        turn += 1
        blocks += run.receive(reader.receive(stream.wire[at : at + size])).ordered
        if turn % 97 == 0:  # a frame of earlier once more, between two frames
            blocks += run.receive(MessageReader().receive(stream.frames[1])).ordered
        at += size
    assert_same_rows(columns_of(blocks), whole_rows)


def test_a_journal_with_every_kind_of_event_replays_to_the_bit(tmp_path):
    """Marks, a note, zeros, lost and found links, a restart, gaps given up: recovered equals live with ==."""
    live = tmp_path / "live"
    world = rig()
    world_link = VirtualLink("sim:test", world, 10.0)
    link = PulledLink(NoisyLink(world_link, 3, byte_errors=2e-4), [])
    link.when_pulled = lambda: world.restart() if link.pulled == 2 else None
    session = Session(link, Settings(live, RunCard(pack="heron"), reconnect_s=30.0))
    session.open()
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    session.zero("current_a")
    wait_for(session, lambda snapshot: "zeroed" in snapshot.notice)
    session.start_recording()
    wait_for(session, lambda snapshot: snapshot.recording.samples > 500)
    session.mark("here")
    session.note("the second limb was wet")
    session.zero("voltage_v")
    link.pull_after(8_000, 16_000)  # not before the recording has begun, however slow the machine
    wait_for(session, lambda _snapshot: link.pulled == 2, timeout_s=60.0)
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING, timeout_s=60.0)
    at = session.snapshot().recording.samples
    wait_for(session, lambda snapshot: snapshot.recording.samples > at + 500)
    sealed, _ = stopped_and_recovered(session, live)
    document = sealed.document
    assert [mark["text"] for mark in document["marks"]] == ["here"]
    assert [note["text"] for note in document["notes"]] == ["the second limb was wet"]
    assert set(document["zeros_before"]) == {"current_a"}
    assert [zero["column"] for zero in document["zeros"]] == ["voltage_v"]
    assert len(document["segments"]) == 2
    assert len([one for one in document["links"] if one["lost"]]) == 2
    assert document["links"][-1]["lost"] is None
    ticks = table(sealed)["tick_us"].to_numpy()
    assert (ticks[1:] > ticks[:-1]).all(), "the time of a run rises over a restart"


def test_a_gap_that_the_host_gave_up_replays_to_the_bit(tmp_path, monkeypatch):
    """Where asking is in vain the gap is declared by the host's clock: the journal tells it in its place."""
    monkeypatch.setattr(backfill, "LONGEST_WAIT_S", 1.0)
    live = tmp_path / "live"
    link = DeafLink(NoisyLink(virtual(2.0), 8, losses=0.004))
    session = Session(link, Settings(live, RunCard(pack="heron"), record_at_once=True))
    session.open()
    wait_for(session, lambda snapshot: snapshot.link.missing_samples, timeout_s=30.0)
    wait_for(session, lambda snapshot: snapshot.link.lost_samples, timeout_s=30.0)
    sealed, snapshot = stopped_and_recovered(session, live)
    whys = {gap["why"] for gap in sealed.document["gaps"]}
    assert any("in vain" in why for why in whys)
    accounted = sum(gap["end_index"] - gap["first_index"] for gap in sealed.document["gaps"])
    assert accounted == sealed.document["lost_samples"] == snapshot.link.lost_samples
