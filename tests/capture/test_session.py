"""The session: threads, link and writer together, on links that behave and links that do not."""

import os
import time

import pyarrow.parquet as pq
import pytest
from waiting import wait_for

from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import LinkLost
from capture.links.virtual import VirtualLink
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.run_card import RunCard
from capture.storage import recorder as recorder_module
from capture.storage.journal import JournalWriter
from capture.storage.recording import open_recording
from capture.storage.recovery import recover
from capture.summary import summarise
from firmware_protocol.framing import encode_frame
from firmware_protocol.states import LoggerState


def rig(seed=1):
    return VirtualRig(PACKS["heron"], seed)


def session_on(link, folder, **settings):
    return Session(link, Settings(folder, RunCard(pack="heron"), **settings))


def recording_is(state):
    return lambda snapshot: snapshot.recording.state is state


class CutLink(VirtualLink):
    """A virtual link whose cable is pulled after so many bytes."""

    def __init__(self, rig, after_bytes, speed=20.0):
        super().__init__("sim:cut", rig, speed)
        self.left = after_bytes

    def read(self):
        received = super().read()
        self.left -= len(received)
        if self.left < 0:
            raise LinkLost("went away", self.address, "Check the cable.")
        return received


def test_a_planned_run_has_just_its_samples(tmp_path):
    """Ten seconds at 500 Hz are 5000 rows, none lost; snapshot, file and summary agree."""
    session = session_on(VirtualLink("sim:x", rig(), 50.0), tmp_path, record_at_once=True, seconds=10.0)
    session.open()
    snapshot = wait_for(session, recording_is(RecordingState.SAVED))
    session.close()
    recording = open_recording(snapshot.recording.path)
    assert recording.rows == snapshot.recording.samples == 5000
    assert recording.document["lost_samples"] == snapshot.link.lost_samples == 0
    assert recording.document["recovered_samples"] == snapshot.link.recovered_samples == 0
    assert snapshot.notice == "recording ended: the planned time was over"
    assert summarise(recording).figures == snapshot.figures
    assert recording.document["stretches"] == [[0, 0, 5000]]  # the work begins when the stream does
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".parquet"]


def test_energy_agrees_with_the_models_truth(tmp_path):
    """What the file says went through the pack is what the model knows, within 0.1 %."""
    world = rig(seed=5)
    session = session_on(VirtualLink("sim:x", world, 200.0), tmp_path, record_at_once=True, seconds=60.0)
    session.open()
    figures = wait_for(session, recording_is(RecordingState.SAVED)).figures
    session.close()
    _, first, rows = open_recording(session.snapshot().recording.path).document["stretches"][0]
    truth = world.truth(first, first + rows)
    assert figures.energy.value == pytest.approx(truth.energy_wh, rel=1e-3)
    assert figures.charge.value == pytest.approx(truth.charge_ah, rel=1e-3)


def test_a_recording_begun_in_mid_stream_recovers_to_the_bit(tmp_path):
    """Live equals recovered: the journal of a run begun and marked in mid-stream gives the same file."""
    live, copied = tmp_path / "live", tmp_path / "copied"
    copied.mkdir()
    session = session_on(VirtualLink("sim:x", rig(), 10.0), live)
    session.open()
    wait_for(session, lambda snapshot: snapshot.run_s > 1.0)
    session.start_recording()
    wait_for(session, lambda snapshot: snapshot.recording.samples > 500)
    session.mark("here")
    wait_for(session, lambda snapshot: snapshot.recording.marks == 1)
    wait_for(session, lambda snapshot: snapshot.recording.samples > 3000)
    (journal,) = live.glob("*.journal")
    os.link(journal, copied / journal.name)  # the same bytes, kept when the sealed run removes its own name
    session.stop_recording()
    snapshot = wait_for(session, recording_is(RecordingState.SAVED))
    session.close()
    sealed = open_recording(snapshot.recording.path)
    back = open_recording(recover(copied / journal.name).recording)
    assert pq.read_table(back.path).equals(pq.read_table(sealed.path))
    assert summarise(back).figures == summarise(sealed).figures == snapshot.figures
    assert back.document == sealed.document
    assert sealed.document["marks"][0]["text"] == "here"
    assert "operator" in sealed.document["ended"]


def test_a_lost_link_seals_what_there_was(tmp_path):
    """A pulled cable ends the run, not the data: the file is whole and says that it was interrupted."""
    session = session_on(CutLink(rig(), 20_000), tmp_path, record_at_once=True)
    session.open()
    snapshot = wait_for(session, recording_is(RecordingState.SAVED))
    assert snapshot.link.state is LinkState.LOST
    session.close()
    recording = open_recording(snapshot.recording.path)
    assert recording.rows == snapshot.recording.samples > 1000
    assert recording.document["interrupted"]
    assert "went away" in recording.document["ended"]
    assert "went away" in str(session.failure)


class FailingLink(VirtualLink):
    """A virtual link that turns up with an identity of another version behind its samples, in one read."""

    def read(self):
        received = super().read()
        if self.rig.logger.state is LoggerState.STREAMING and len(received) > 3000:
            return received + encode_frame(b"\x81\x07\x01" + bytes(20))
        return received


def test_samples_in_the_bytes_that_end_a_run_are_kept(tmp_path):
    """A run that fails within one read keeps what came before in the same bytes."""
    link = FailingLink("sim:failing", rig(), 200.0)
    session = session_on(link, tmp_path, record_at_once=True)
    session.open()
    snapshot = wait_for(session, recording_is(RecordingState.SAVED))
    session.close()
    recording = open_recording(snapshot.recording.path)
    assert "protocol version 7" in str(session.failure)
    assert recording.document["interrupted"]
    assert recording.rows >= 500  # the read that failed held more than 3000 bytes, five to a sample


def test_a_second_recording_follows_the_first(tmp_path):
    """Stop and record again: two files, the second with figures of its own."""
    session = session_on(VirtualLink("sim:x", rig(), 10.0), tmp_path)
    session.open()
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    for count in (1, 2):
        session.start_recording()
        wait_for(session, recording_is(RecordingState.RUNNING))
        wait_for(session, lambda snapshot: snapshot.recording.samples > 300)
        session.stop_recording()
        wait_for(session, recording_is(RecordingState.SAVED))
        files = sorted(tmp_path.glob("*.parquet"))
        assert len(files) == count
    session.close()
    first, second = (open_recording(path) for path in files)
    assert second.document["stretches"][0][1] >= first.document["stretches"][0][1] + first.rows


def test_requests_that_cannot_be_met_are_told(tmp_path):
    """A mark while nothing is recorded is refused in words, and loses nothing."""
    session = session_on(VirtualLink("sim:x", rig(), 10.0), tmp_path)
    session.open()
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    session.mark()
    wait_for(session, lambda snapshot: "nothing is recorded" in snapshot.notice)
    session.close()
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_interrupts_and_keeps_the_journal(tmp_path, monkeypatch):
    """When the disk is full the screen goes on, the journal stays, and recovery finishes the run."""
    flush = JournalWriter.flush
    flushed = []

    def flush_until_full(self):
        flushed.append(1)
        if len(flushed) > 10:
            raise OSError(28, "No space left on device")
        flush(self)

    monkeypatch.setattr(JournalWriter, "flush", flush_until_full)
    session = session_on(VirtualLink("sim:x", rig(), 5.0), tmp_path, record_at_once=True)
    session.open()
    snapshot = wait_for(session, recording_is(RecordingState.INTERRUPTED))
    assert "No space left" in snapshot.recording.message
    before = snapshot.chart.end_s
    wait_for(session, lambda later: later.chart.end_s > before)
    monkeypatch.undo()
    session.close()
    (journal,) = tmp_path.glob("*.journal")
    assert recover(journal).samples > 0


def test_a_folder_that_takes_no_file_is_told(tmp_path, monkeypatch):
    """Where the Parquet file cannot be made nothing begins, in words, and no journal is left."""

    def refuse(*_arguments, **_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(recorder_module, "RecordingFile", refuse)
    session = session_on(VirtualLink("sim:x", rig(), 10.0), tmp_path)
    session.open()
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    session.start_recording()
    snapshot = wait_for(session, lambda snapshot: "Permission denied" in snapshot.notice)
    wait_for(session, lambda later: later.run_s > snapshot.run_s)
    session.close()
    assert snapshot.link.state is LinkState.STREAMING
    assert list(tmp_path.iterdir()) == []


def test_a_stalled_disk_holds_up_reading_not_the_screen(tmp_path, monkeypatch):
    """While the writer hangs its queue fills to the brim, snapshots go on, and no sample is lost."""
    release = []
    append = recorder_module.RecordingFile.append

    def slow_append(self, block):
        while not release:
            time.sleep(0.01)
        append(self, block)

    monkeypatch.setattr(recorder_module.RecordingFile, "append", slow_append)
    monkeypatch.setattr(recorder_module, "QUEUE_ITEMS", 96)
    session = session_on(VirtualLink("sim:x", rig(), 20.0), tmp_path, record_at_once=True, seconds=60.0)
    session.open()
    wait_for(session, lambda snapshot: "disk is slow" in snapshot.notice)
    published = session.snapshot()
    wait_for(session, lambda snapshot: snapshot is not published)
    release.append(True)
    snapshot = wait_for(session, recording_is(RecordingState.SAVED))
    session.close()
    assert (snapshot.recording.samples, snapshot.link.lost_samples) == (30_000, 0)


def test_closing_in_mid_run_saves_it(tmp_path):
    """Quitting is a normal end: the recording is sealed before close returns."""
    session = session_on(VirtualLink("sim:x", rig(), 10.0), tmp_path, record_at_once=True)
    session.open()
    wait_for(session, lambda snapshot: snapshot.recording.samples > 500)
    session.close()
    snapshot = session.snapshot()
    assert snapshot.recording.state is RecordingState.SAVED
    assert open_recording(snapshot.recording.path).rows == snapshot.recording.samples


def test_the_chart_shows_every_peak(tmp_path):
    """The envelope of the chart reaches the peak current of the run, to the sample."""
    session = session_on(VirtualLink("sim:x", rig(), 20.0), tmp_path, record_at_once=True, seconds=12.0)
    session.open()
    snapshot = wait_for(session, recording_is(RecordingState.SAVED))
    session.close()
    assert float(max(snapshot.chart.highest["current_a"])) == snapshot.figures.peak_current.value
    assert float(min(snapshot.chart.lowest["voltage_v"])) == snapshot.figures.minimum_voltage.value
