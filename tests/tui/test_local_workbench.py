"""The workbench of this computer, without a screen: sessions, recordings and searches are the real ones."""

import threading
import time

import pytest
from waiting import wait_for

from capture.bench import Bench, BenchPack
from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import InputError, StorageError
from capture.links import finding
from capture.links.finding import FoundLogger
from capture.run_card import Outcome, RunCard
from capture.storage.amendments import Amendments
from tui.local_workbench import LocalWorkbench
from tui.sitting import Sitting


@pytest.fixture
def bench(tmp_path):
    """A workbench on which only the virtual logger is in reach."""
    return LocalWorkbench(tmp_path / "recordings", Bench(), [finding.virtual_loggers])


def recorded(session, seconds):
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    session.start_recording()
    wait_for(session, lambda snapshot: snapshot.recording.samples > seconds * 500)
    session.close()
    return session.snapshot().recording


def test_an_empty_folder_needs_nothing(bench):
    assert bench.recover(lambda _done, _total: None) == []
    assert bench.recordings() == ([], [])


def test_the_demo_records_with_the_card_of_its_pack(bench):
    """What is recorded lies in the folder, with the card that `sagline demo` writes, and is read again."""
    sitting = Sitting(bench.open_demo())
    saved = recorded(sitting.session, 0.4)
    sitting.note()
    assert sitting.saved == [saved]
    assert sitting.take_leave() == f"Saved {saved.path.name}: {saved.samples} samples."
    ((shelved,), unreadable) = bench.recordings()
    assert unreadable == []
    assert (shelved.path, shelved.samples) == (saved.path, saved.samples)
    card = shelved.card
    assert (card.kind, card.pack, card.tool, card.series, card.cutoff_v) == (
        "timed cut",
        "heron",
        "polesaw",
        10,
        28.0,
    )
    rows = []
    summary = bench.read(saved.path, rows.append)
    assert summary.figures.samples == rows[-1] == saved.samples


def test_addresses_open_and_wrong_ones_are_told(bench):
    session = bench.open_logger("sim:polesaw?pack=wren")
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    session.close()
    with pytest.raises(InputError, match="unknown pack"):
        bench.open_logger("sim:polesaw?pack=crow")


def test_an_interrupted_recording_is_finished_and_told(bench):
    session = bench.open_demo()
    saved = recorded(session, 0.2)
    saved.path.with_suffix(".journal").write_bytes(b"")
    (saved.path.parent / "broken.journal").write_bytes(b"no journal at all" * 100)
    (told,) = bench.recover(lambda _done, _total: None)
    assert told.startswith("could not be finished: ")
    assert "broken.journal" in told


def test_a_search_can_be_ended_from_outside(bench, monkeypatch):
    """Whoever opens a port ends the search first, and then no port is held by it."""
    asked_to_end = threading.Event()

    def wait(one, *, within_s, stop):
        stop.wait(within_s)
        asked_to_end.set()
        return one

    monkeypatch.setattr(finding, "ask", wait)
    search = threading.Thread(target=lambda: list(bench.find_loggers()))
    search.start()
    time.sleep(0.1)
    started = time.monotonic()
    bench.stop_looking()
    assert asked_to_end.is_set()
    assert time.monotonic() - started < 1.0
    search.join()
    assert [one.address for one in finding.virtual_loggers()] == ["sim:polesaw"]


def test_loggers_are_found(bench):
    (found,) = bench.find_loggers()
    assert isinstance(found, FoundLogger)
    assert (found.name, found.trouble) == ("virtual pole saw, heron", "")
    bench.stop_looking()


def test_what_is_amended_is_there_when_the_recording_is_read_again(bench):
    session = bench.open_demo()
    saved = recorded(session, 0.2)
    bench.amend(saved.path, Amendments({"outcome": Outcome.TRIPPED}))
    assert bench.read(saved.path, lambda _rows: None).card.outcome is Outcome.TRIPPED
    with pytest.raises(StorageError, match="cannot be read"):
        bench.amend(bench.folder / "x.parquet", Amendments())


def test_a_card_is_completed_with_what_is_known_of_its_pack(tmp_path):
    """The virtual packs are known to the demo's tool; a bench file knows better."""
    bench = Bench(packs={"wren": BenchPack(series=5), "owl": BenchPack(max_current_a=30.0)})
    local = LocalWorkbench(tmp_path, bench, [finding.virtual_loggers])
    assert local.complete(RunCard(pack="heron", tool="polesaw")).cutoff_v == pytest.approx(28.0)
    assert local.complete(RunCard(pack="heron", tool="drill")).cutoff_v is None
    assert local.complete(RunCard(pack="wren", tool="polesaw")).series == 5
    assert local.complete(RunCard(pack="owl")).max_current_a == 30.0


def test_a_recording_that_failed_is_remembered_until_it_is_finished(session_at, moments, tmp_path):
    """A full disk is told at the end, unless the recording has been finished since."""
    from dataclasses import replace

    path = tmp_path / "run.parquet"
    failed = replace(
        moments["recording"].recording, state=RecordingState.INTERRUPTED, path=path, message="run: no room."
    )
    sitting = Sitting(session_at(replace(moments["recording"], recording=failed)))
    sitting.close()
    assert (sitting.interrupted, sitting.saved) == ([failed], [])
    assert sitting.take_leave() == "run: no room."
    path.touch()
    assert sitting.interrupted == []
