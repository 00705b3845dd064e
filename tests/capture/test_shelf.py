"""The shelf: what recordings say of themselves without their samples being read."""

import json
import shutil

import pyarrow.parquet as pq
import pytest
from waiting import wait_for

from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import RecordingState
from capture.links.address import parse_address
from capture.links.virtual import VirtualLink, virtual_rig
from capture.run_card import Outcome, RunCard
from capture.storage.parquet_file import DOCUMENT_KEY
from capture.storage.shelf import recordings_in


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Two runs of the virtual saw, one after the other."""
    folder = tmp_path_factory.mktemp("shelf")
    for pack, seconds in (("wren", 1.0), ("heron", 2.0)):
        card = RunCard("timed cut", pack, "polesaw", outcome=Outcome.TRIPPED)
        link = VirtualLink("sim:polesaw", virtual_rig(parse_address("sim:polesaw")), 50.0)
        session = Session(link, Settings(folder, card, record_at_once=True, seconds=seconds))
        session.open()
        wait_for(session, lambda snapshot: snapshot.recording.state is RecordingState.SAVED)
        session.close()
    return folder


def test_recordings_newest_first_with_their_cards(recorded):
    shelved, unreadable = recordings_in(recorded)
    assert unreadable == []
    assert [one.card.pack for one in shelved] == ["heron", "wren"]
    newest = shelved[0]
    assert (newest.samples, newest.lost_samples, newest.interrupted) == (1000, 0, False)
    assert newest.duration_s == pytest.approx(2.0)
    assert newest.card.outcome is Outcome.TRIPPED
    assert newest.started > shelved[1].started


def test_what_cannot_be_read_is_told_and_holds_nobody_up(recorded, tmp_path):
    for path in recorded.glob("*.parquet"):
        shutil.copy(path, tmp_path)
    (tmp_path / "cut-off.parquet").write_bytes(b"PAR1")
    (tmp_path / "a-folder.parquet").mkdir()
    shelved, unreadable = recordings_in(tmp_path)
    assert len(shelved) == 2
    told = " ".join(str(error) for error in unreadable)
    assert "cut-off.parquet" in told
    assert "a-folder.parquet" in told


def test_a_folder_that_is_not_there_holds_none(tmp_path):
    assert recordings_in(tmp_path / "nowhere") == ([], [])


def test_a_length_beyond_all_measure_is_told(recorded, tmp_path):
    """A document that was tampered with is one line, not the end of the list."""
    first, second = sorted(recorded.glob("*.parquet"))
    shutil.copy(second, tmp_path)
    with pq.ParquetFile(first) as file:
        document = json.loads(file.metadata.metadata[DOCUMENT_KEY.encode()])
        table = file.read()
    document["logger"]["interval_ns"] = 10**400
    tampered = table.replace_schema_metadata({DOCUMENT_KEY: json.dumps(document)})
    pq.write_table(tampered, tmp_path / first.name)
    shelved, (error,) = recordings_in(tmp_path)
    assert [one.path.name for one in shelved] == [second.name]
    assert "beyond all measure" in str(error)
