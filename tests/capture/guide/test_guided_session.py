"""A guided sag test from the link to the sealed file, on the virtual load bank, faster than real time."""

import os

import pyarrow.parquet as pq
import pytest
from bench_load_blocks import CARD, INTERVAL_NS, true_resistance_ohm
from noisy_link import PulledLink
from waiting import wait_for

from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import InputError
from capture.guide.follower import Guide
from capture.guide.steps import Ending, GuidePlan, Step, Trouble, TurnKind
from capture.links.address import open_address
from capture.resistance import resistance
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.storage.recovery import recover

PLAN = GuidePlan()
SHORT = GuidePlan(repeats=2, hold_s=3.0, rest_s=4.0, recover_s=5.0)
BANK = "rest=6&on=4&off=8"


def guided(link, folder, plan=SHORT, **settings):
    session = Session(link, Settings(folder, CARD, record_at_once=True, guide=plan, **settings))
    session.open()
    return session


def saved(snapshot):
    return snapshot.recording.state is RecordingState.SAVED


def holds(snapshot):
    return snapshot.guide is not None and snapshot.guide.step is Step.HOLD


def stored_guide(recording, plan=SHORT):
    guide = Guide(plan, CARD, INTERVAL_NS)
    guide.feed(recording.blocks())
    return guide


@pytest.fixture(scope="module")
def whole_test(tmp_path_factory):
    """A test by the usual plan, whose second load is dropped early: its last snapshot, file and rig."""
    link = open_address("sim:loadbank?amps=20&early=2&speed=100")
    session = guided(link, tmp_path_factory.mktemp("guided"), PLAN)
    snapshot = wait_for(session, saved, 60.0)
    session.close()
    return snapshot, open_recording(snapshot.recording.path), link.rig


def test_the_recording_ends_by_itself_and_says_why(whole_test):
    snapshot, recording, _ = whole_test
    assert snapshot.guide.ending is Ending.COMPLETE
    assert snapshot.guide.counted == 3
    assert [attempt.trouble for attempt in snapshot.guide.attempts] == [
        None,
        Trouble.EARLY_RELEASE,
        None,
        None,
    ]
    assert recording.document["ended"] == "the sag test was complete"
    assert not recording.document["interrupted"]
    assert recording.document["run_card"]["kind"] == "sag test"
    assert "3 loads" in recording.document["notes"][0]["text"]


def test_the_stored_test_is_the_one_that_was_seen_live(whole_test):
    """The same samples through the same machine: the same steps, seconds and figures, to the bit."""
    snapshot, recording, _ = whole_test
    assert stored_guide(recording, PLAN).report() == snapshot.guide


def test_marks_lie_at_the_turns(whole_test):
    """In the model the load came at 15, 61, 98.55 and 144.55 s."""
    _, recording, _ = whole_test
    marks = recording.document["marks"]
    on_s = [mark["t_s"] for mark in marks if mark["text"].endswith("load on")]
    assert on_s == pytest.approx([15.0, 61.0, 98.55, 144.55], abs=0.005)
    turns = [turn for turn in stored_guide(recording, PLAN).turns if turn.kind is TurnKind.LOAD_ON]
    first_us = recording.document["first_tick_us"]
    assert on_s == [(turn.tick_us - first_us) * 1e-6 for turn in turns]
    assert [mark["text"] for mark in marks][:3] == [
        "sag test 1/3: rested",
        "sag test 1/3: load on",
        "sag test 1/3: load off",
    ]
    assert any("does not count (early release)" in mark["text"] for mark in marks)


def test_the_resistance_is_the_model_s(whole_test):
    """At once, after 0.1, 1 and 10 s: within 2 u, and within 3 %."""
    _, recording, rig = whole_test
    pulses = resistance(recording).pulses
    for after_s, figure in zip((0.0, 0.1, 1.0, 10.0), (pulses.ohmic, *pulses.pulse), strict=True):
        true_ohm = true_resistance_ohm(rig.scenario, 22.5, after_s)
        assert abs(figure.value - true_ohm) <= 2 * figure.u
        assert figure.value == pytest.approx(true_ohm, rel=0.03)
        assert figure.u < 0.03 * figure.value


def test_a_guided_recording_recovers_to_the_bit(tmp_path):
    """Its journal, marks and all, gives the same file."""
    live, copied = tmp_path / "live", tmp_path / "copied"
    copied.mkdir()
    session = guided(open_address(f"sim:loadbank?{BANK}&speed=20"), live)
    wait_for(session, holds)
    (journal,) = live.glob("*.journal")
    os.link(journal, copied / journal.name)
    snapshot = wait_for(session, saved)
    session.close()
    sealed = open_recording(snapshot.recording.path)
    back = open_recording(recover(copied / journal.name).recording)
    assert pq.read_table(back.path).equals(pq.read_table(sealed.path))
    assert back.document == sealed.document


def test_a_link_that_is_lost_in_a_hold_and_comes_back_costs_nothing(tmp_path):
    """What the logger kept is fetched, and the load that was on meanwhile counts."""
    link = PulledLink(open_address(f"sim:loadbank?{BANK}&speed=4"), [])
    session = guided(
        link, tmp_path, GuidePlan(repeats=1, hold_s=3.0, rest_s=4.0, recover_s=5.0), reconnect_s=10.0
    )
    wait_for(session, holds)
    link.pull_after(1)
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.RECONNECTING)
    snapshot = wait_for(session, saved)
    session.close()
    assert snapshot.guide.ending is Ending.COMPLETE
    assert snapshot.link.recovered_samples > 0
    recording = open_recording(snapshot.recording.path)
    assert recording.document["lost_samples"] == 0
    assert stored_guide(recording, snapshot.guide.plan).report() == snapshot.guide


def test_a_link_that_is_lost_for_good_keeps_what_there_was(tmp_path):
    link = PulledLink(open_address(f"sim:loadbank?{BANK}&speed=20"), [])
    session = guided(link, tmp_path)
    wait_for(session, holds)
    link.pull_after(1)
    snapshot = wait_for(session, lambda snapshot: snapshot.link.state is LinkState.LOST)
    session.close()
    recording = open_recording(session.snapshot().recording.path)
    assert recording.document["interrupted"]
    assert (snapshot.guide.step, snapshot.guide.ending) == (Step.HOLD, None)


def test_whoever_leaves_early_keeps_what_was_done(tmp_path):
    session = guided(open_address(f"sim:loadbank?{BANK}&speed=20"), tmp_path)
    wait_for(session, lambda snapshot: snapshot.guide is not None and snapshot.guide.counted == 1)
    session.stop_recording()
    snapshot = wait_for(session, saved)
    session.close()
    assert (snapshot.guide.counted, snapshot.guide.ending) == (1, None)
    assert "operator" in open_recording(snapshot.recording.path).document["ended"]


def test_a_limit_ends_the_recording(tmp_path):
    session = guided(open_address(f"sim:loadbank?{BANK}&amps=62&speed=20"), tmp_path)
    snapshot = wait_for(session, saved)
    session.close()
    assert snapshot.guide.ending is Ending.LIMIT
    document = open_recording(snapshot.recording.path).document
    assert "limit" in document["ended"]
    assert any("a limit was passed" in mark["text"] for mark in document["marks"])


def test_a_guided_session_is_not_armed_and_guides_again_on_request(tmp_path):
    """After a test r begins the next one, with a plan of its own from the start."""
    session = guided(
        open_address(f"sim:loadbank?{BANK}&speed=20"), tmp_path, GuidePlan(1, None, 3.0, 4.0, 5.0)
    )
    wait_for(session, saved)
    session.arm(armed=True)
    snapshot = wait_for(session, lambda snapshot: "r begins" in snapshot.notice)
    assert not snapshot.recording.armed
    session.start_recording()
    again = wait_for(session, lambda snapshot: snapshot.recording.state is RecordingState.RUNNING)
    session.close()
    assert again.guide.counted == 0
    assert len(list(tmp_path.glob("*.parquet"))) == 2


def test_a_recording_without_a_guide_has_none(tmp_path):
    session = Session(
        open_address("sim:loadbank?speed=20"), Settings(tmp_path, RunCard(), record_at_once=True, seconds=1.0)
    )
    session.open()
    snapshot = wait_for(session, saved)
    session.close()
    assert snapshot.guide is None


def test_a_logger_without_a_voltage_cannot_be_guided(tmp_path, monkeypatch):
    monkeypatch.setattr("capture.engine.guiding.NEEDED", ("current_a", "acidity_ph"))
    session = guided(open_address("sim:loadbank?speed=20"), tmp_path)
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.FAILED)
    session.close()
    assert isinstance(session.failure, InputError)
    assert "needs current and voltage" in str(session.failure)
