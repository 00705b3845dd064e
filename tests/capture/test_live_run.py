"""The run of the moment, fed by hand: what a writer that failed leaves behind."""

from logger_streams import channel, logger_with, samples, start_reply

from capture.engine.conversation import Turn
from capture.engine.live_run import LiveRun, Settings
from capture.run_card import RunCard
from capture.storage.journal import JournalWriter


def turn(*events):
    return Turn(1, b"bytes", b"", list(events))


def test_an_end_under_way_when_the_disk_fills_does_not_end_the_next_recording(tmp_path, monkeypatch):
    """The first recording waits for missing samples when its writer fails; the second has its own end."""
    told = []
    live = LiveRun(logger_with([channel()], ring_samples=100), Settings(tmp_path, RunCard()), told.append)
    live.receive(turn(start_reply(0), samples(0, 5)))
    live.record(b"")
    live.receive(turn(samples(5, 5), samples(15, 5)))
    live.end_recording("the operator stopped it")
    assert live.records, "it waits for the samples 10 to 14"

    def full(_writer):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(JournalWriter, "flush", full)
    live.receive(turn())
    live.recording.wait(20.0)
    monkeypatch.undo()
    assert not live.records
    live.record(b"")
    monkeypatch.setattr("capture.engine.live_run.ENDING_WAIT_S", 0.0)
    live.receive(turn(samples(20, 5)))
    assert live.records, "what was to end was the first one"
    live.end_recording("the operator stopped it")
    live.recording.wait(20.0)
    assert told[-1] == "recording ended: the operator stopped it"
    assert len(list(tmp_path.glob("*.parquet"))) == 1
