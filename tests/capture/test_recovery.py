"""Recovery: the journal alone gives the recording that a clean stop would have given."""

import os

import pyarrow.parquet as pq
import pytest
from logger_streams import end

from capture.errors import DiskFull, RecordingDamaged
from capture.events import Mark, event_document
from capture.opening import Opening
from capture.run import Run
from capture.storage.journal import JournalWriter, Record, RecordKind
from capture.storage.parquet_file import RecordingFile
from capture.storage.recording import open_recording
from capture.storage.recovery import recover, recover_folder
from capture.summary import summarise
from firmware_protocol.host_link import MessageReader


def journal_of_stream(folder, stream, *, cut=None, chunk=777, opening=None):
    """Write a journal as a live run does: opening, bytes in chunks."""
    import json

    opening = opening or Opening(0, stream.logger)
    writer = JournalWriter(folder / "run.journal")
    writer.append(Record(RecordKind.OPENING, 0, json.dumps(opening.as_json()).encode()))
    wire = stream.wire[:cut]
    for at in range(0, len(wire), chunk):
        writer.append(Record(RecordKind.BYTES_IN, at, wire[at : at + chunk]))
    writer.sync()
    writer.close()
    return folder / "run.journal"


def clean_stop(folder, stream, cut=None):
    run = Run(Opening(0, stream.logger))
    file = RecordingFile(folder / "clean.parquet", run.path.decoder.columns)
    for block in [*run.receive(MessageReader().receive(stream.wire[:cut])).ordered, *end(run)]:
        file.append(block)
    return file.seal(run.document())


@pytest.mark.parametrize("cut", [None, 9_999], ids=["whole", "torn in mid-frame"])
def test_recovered_equals_cleanly_stopped(tmp_path, stream, cut):
    """Columns, gaps and figures are equal with ==; the journal is gone; an interrupted run says so."""
    journal = journal_of_stream(tmp_path, stream, cut=cut)
    recovered = recover(journal)
    clean = open_recording(clean_stop(tmp_path, stream, cut))
    back = open_recording(recovered.recording)
    assert pq.read_table(back.path).equals(pq.read_table(clean.path))
    assert summarise(back).figures == summarise(clean).figures
    told = ("stretches", "gaps", "segments", "samples", "lost_samples", "channels", "logger", "run_card")
    assert {key: back.document[key] for key in told} == {key: clean.document[key] for key in told}
    assert back.document["interrupted"]
    assert "cut off" in back.document["ended"]
    assert recovered.samples == clean.rows
    assert not journal.exists()


def test_a_partial_file_left_beside_it_is_replaced(tmp_path, stream):
    """What the crash left of the Parquet file does not disturb."""
    journal = journal_of_stream(tmp_path, stream)
    (tmp_path / "run.parquet.partial").write_bytes(b"half a file")
    recover(journal)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run.parquet"]


def test_a_crash_between_rename_and_clean_up(tmp_path, stream):
    """The recording is already whole: it is kept, the journal goes."""
    clean_stop(tmp_path, stream).rename(tmp_path / "run.parquet")
    before = (tmp_path / "run.parquet").read_bytes()
    recovered = recover(journal_of_stream(tmp_path, stream))
    assert (tmp_path / "run.parquet").read_bytes() == before
    assert recovered.samples == open_recording(tmp_path / "run.parquet").rows
    assert not (tmp_path / "run.journal").exists()


def test_a_broken_file_of_that_name_is_moved_aside(tmp_path, stream):
    """Nothing is overwritten: what cannot be read is kept under another name."""
    (tmp_path / "run.parquet").write_bytes(b"not Parquet")
    recover(journal_of_stream(tmp_path, stream))
    assert (tmp_path / "run.parquet.damaged").read_bytes() == b"not Parquet"
    assert open_recording(tmp_path / "run.parquet").rows > 0


def test_a_damaged_record_costs_its_bytes(tmp_path, stream):
    """A flipped byte in mid-file loses one chunk: the rest is recovered and the loss is counted."""
    journal = journal_of_stream(tmp_path, stream)
    content = bytearray(journal.read_bytes())
    content[len(content) // 2] ^= 0xFF
    journal.write_bytes(content)
    recovered = recover(journal)
    assert recovered.skipped_bytes > 0
    assert recovered.lost_samples > 0
    whole_run = Run(Opening(0, stream.logger))
    whole = sum(map(len, whole_run.receive(MessageReader().receive(stream.wire)).ordered))
    assert recovered.samples + recovered.lost_samples == whole


def test_a_journal_without_an_opening_is_left_alone(tmp_path, stream):
    """What cannot be placed is told and kept; the others in the folder are recovered all the same."""
    (tmp_path / "torn.journal").write_bytes(journal_of_stream(tmp_path, stream).read_bytes()[:30])
    recovered, damaged = recover_folder(tmp_path)
    assert [one.recording.name for one in recovered] == ["run.parquet"]
    assert [type(error) for error in damaged] == [RecordingDamaged]
    assert "no opening" in str(damaged[0])
    assert (tmp_path / "torn.journal").exists()


def test_a_journal_that_holds_nothing_goes(tmp_path):
    """Killed before its first record there is nothing to recover and nothing to complain of."""
    (tmp_path / "a.journal").write_bytes(b"")
    JournalWriter(tmp_path / "b.journal").close()
    (tmp_path / "b.parquet.partial").write_bytes(b"PAR1")
    assert recover_folder(tmp_path) == ([], [])
    assert list(tmp_path.iterdir()) == []


def test_a_running_recording_is_not_touched(tmp_path, stream):
    """Recovery passes over a journal that its writer still holds."""
    writer = JournalWriter(tmp_path / "live.journal")
    assert recover_folder(tmp_path) == ([], [])
    writer.close()
    assert (tmp_path / "live.journal").exists()


def test_a_full_disk_keeps_the_journal(tmp_path, stream, monkeypatch):
    """Where the recording cannot be written the journal stays for another try, and no half file is left."""
    journal = journal_of_stream(tmp_path, stream)

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(DiskFull, match="No space left"):
        recover(journal)
    monkeypatch.undo()
    assert [path.name for path in tmp_path.iterdir()] == ["run.journal"]
    assert recover(journal).samples > 0


def test_marks_come_back_in_their_place(tmp_path, stream):
    """A mark in the journal is a mark of the recovered recording."""
    import json

    run = Run(Opening(0, stream.logger))
    run.receive(MessageReader().receive(stream.wire[:5000]))
    mark = Mark(run.moment(42), "limb two")
    journal = tmp_path / "run.journal"
    writer = JournalWriter(journal)
    writer.append(Record(RecordKind.OPENING, 0, json.dumps(run.opening.as_json()).encode()))
    writer.append(Record(RecordKind.BYTES_IN, 0, stream.wire[:5000]))
    writer.append(Record(RecordKind.EVENT, 42, json.dumps(event_document(mark)).encode()))
    writer.append(Record(RecordKind.BYTES_IN, 0, stream.wire[5000:]))
    writer.sync()
    writer.close()
    document = open_recording(recover(journal).recording).document
    assert [(one["text"], one["index"]) for one in document["marks"]] == [("limb two", mark.at.index)]
    assert document["marks"][0]["t_s"] == run.seconds(mark.at.tick_us)
