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


LOAD = b"\xe8\x03"  # 10 A


def test_a_load_behind_a_recording_by_hand_begins_behind_it(tmp_path):
    """What was seen before the recording by hand is no beginning of the next: nothing is missed there."""
    live = LiveRun(logger_with([channel()], ring_samples=100), Settings(tmp_path, RunCard()), [].append)
    live.receive(turn(start_reply(0), samples(0, 50)))
    live.record(b"")
    live.receive(turn(samples(50, 50)))
    live.stop_recording()
    live.recording.wait(20.0)
    by_hand = live.recording.path
    live.arm(armed=True)
    live.receive(turn(samples(100, 50)))
    live.receive(turn(samples(150, 100, row=LOAD)))
    assert live.records
    assert live.recording.path != by_hand
    assert live.run.path.missing is None
    assert live.run.opening.start.next_index == 100
    live.stop_recording()
    live.recording.wait(20.0)


def test_a_load_that_was_there_at_the_end_of_a_recording_starts_no_other(tmp_path):
    """A planned end in the middle of work: the next load counts, not the rest of this one."""
    settings = Settings(tmp_path, RunCard(), armed=True, seconds=0.1)
    live = LiveRun(logger_with([channel()], ring_samples=100), settings, [].append)
    live.receive(turn(start_reply(0), samples(0, 50)))
    live.receive(turn(samples(50, 200, row=LOAD)))
    live.recording.wait(20.0)
    assert not live.records
    live.receive(turn(samples(250, 200, row=LOAD)))
    assert not live.records
    live.receive(turn(samples(450, 250), samples(700, 250)))
    live.receive(turn(samples(950, 100, row=LOAD)))
    live.recording.wait(20.0)
    assert len(list(tmp_path.glob("*.parquet"))) == 2


def test_only_one_run_does_another_again(tmp_path):
    """The card is carried over from run to run, but for the name of the recording that is repeated."""
    live = LiveRun(logger_with([channel()], ring_samples=100), Settings(tmp_path, RunCard()), [].append)
    live.use_card(RunCard(pack="wren", repeats="first.parquet"))
    live.receive(turn(start_reply(0), samples(0, 50)))
    cards = []
    for first_index in (50, 100):
        live.record(b"")
        cards.append(live.run.opening.card)
        live.receive(turn(samples(first_index, 50)))
        live.stop_recording()
        live.recording.wait(20.0)
    assert [(card.pack, card.repeats) for card in cards] == [("wren", "first.parquet"), ("wren", None)]
