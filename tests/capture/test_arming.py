"""Arming: a load starts the recording some seconds before it set in, and its end ends it a while later."""

import os

import numpy as np
import pyarrow.parquet as pq
import pytest
from fold_blocks import block_of
from hypothesis import given
from hypothesis import strategies as st
from noisy_link import NoisyLink
from waiting import wait_for

from capture.engine.arming import LEAST_LOAD_US, Arming
from capture.engine.conversation import Turn
from capture.engine.live_run import Settings
from capture.engine.pre_trigger import MOST_BYTES, MOST_TURNS, PRE_TRIGGER_US, PreTrigger
from capture.engine.session import Session
from capture.engine.snapshot import LinkState, RecordingState
from capture.folds.hysteresis import HOLD_US, IDLE_CURRENT_A, START_CURRENT_A, Load, follow
from capture.links.virtual import VirtualLink
from capture.model.pack import PACKS
from capture.model.rig import VirtualRig
from capture.placing import Position
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.storage.recovery import recover

SEED = 7
SPEED = 10.0
STEP_US = 20_000


def virtual(**options):
    return VirtualLink("sim:test", VirtualRig(PACKS["wren"], SEED, **options), SPEED)


def session_on(link, folder, **settings):
    session = Session(link, Settings(folder, RunCard(pack="wren"), **settings))
    session.open()
    return session


def runs_by_itself(snapshot):
    return snapshot.recording.state is RecordingState.RUNNING


def saved(snapshot):
    return snapshot.recording.state is RecordingState.SAVED


def loads_one_by_one(currents):
    """Return when the newest load began and was last there, and how often one was told, in plain steps."""
    load, began, latest = Load(), None, None
    for step, current in enumerate(currents):
        load, _ = follow(load, block_of([current], first_index=step, interval_us=STEP_US))
        if load.drawing and not np.isnan(current):
            now = step * STEP_US
            if latest is None or now - latest > HOLD_US:
                began = now
            latest = now
    return began, latest


@given(
    currents=st.lists(
        st.sampled_from([0.0, 0.1, 0.6, 2.9, 3.0, 8.0, -2.0, np.nan]), min_size=1, max_size=120
    ),
    data=st.data(),
)
def test_a_load_is_told_alike_for_any_chunks(currents, data):
    """However the samples come together, the newest load begins and ends where plain steps put it."""
    arming = Arming(armed=True, tail_s=1.0)
    at = 0
    while at < len(currents):
        size = data.draw(st.integers(1, 30))
        arming.feed(block_of(currents[at : at + size], first_index=at, interval_us=STEP_US))
        at += size
    began, latest = loads_one_by_one(currents)
    now = (len(currents) - 1) * STEP_US
    assert arming.load_set_in == (began is not None and latest - began >= LEAST_LOAD_US)
    if latest is None or now - latest <= HOLD_US:
        assert arming.ends_in_s is None
    else:
        assert arming.ends_in_s == pytest.approx(max(0.0, (latest - now) * 1e-6 + 1.0))


def test_only_a_load_that_sets_in_behind_the_arming_counts():
    arming = Arming(armed=False)
    arming.feed(block_of([8.0] * 20, first_index=0, interval_us=STEP_US))
    arming.arm(armed=True)
    assert not arming.load_set_in, "that load was there before"
    arming.feed(block_of([8.0] * 20, first_index=20, interval_us=STEP_US))
    assert not arming.load_set_in, "it is still the same one"
    arming.feed(block_of([0.0] * 20 + [8.0] * 20, first_index=40, interval_us=STEP_US))
    assert arming.load_set_in
    arming.started()
    assert not arming.load_set_in, "it has its recording"


def test_a_hole_in_the_samples_is_no_pause_of_the_load():
    """A second lost on the line in the middle of a cut: what comes behind it is no new load."""
    arming = Arming(armed=False)
    arming.feed(block_of([0.0] * 20 + [8.0] * 20, interval_us=STEP_US))
    arming.arm(armed=True)
    arming.feed(block_of([8.0] * 20, first_index=90, interval_us=STEP_US))
    assert not arming.load_set_in
    assert arming.ends_in_s is None
    arming.feed(block_of([0.0] * 40, first_index=110, interval_us=STEP_US))
    arming.feed(block_of([8.0] * 20, first_index=170, interval_us=STEP_US))
    assert arming.load_set_in, "it went, and this one set in unseen"
    assert arming.idle_from_us == 109 * STEP_US


def test_a_spike_starts_nothing():
    arming = Arming(armed=True)
    arming.feed(block_of([0.0] * 20 + [60.0] + [0.0] * 60, interval_us=2_000))
    assert not arming.load_set_in


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """All samples of the first minute."""
    session = session_on(virtual(), tmp_path_factory.mktemp("whole"), record_at_once=True, seconds=60.0)
    snapshot = wait_for(session, saved, timeout_s=60.0)
    session.close()
    return pq.read_table(snapshot.recording.path)


@pytest.mark.parametrize("line", ["clean", "noisy"])
def test_a_recording_begins_before_the_load_and_is_all_there(tmp_path, whole, line):
    """The file has the very samples of a run recorded throughout, from four seconds before the load on.

    Recovered from its journal it is the same.
    """
    folder = tmp_path / "live"
    link = virtual()
    if line == "noisy":
        link = NoisyLink(link, 3, byte_errors=3e-4, losses=0.02)
    session = session_on(link, folder)
    wait_for(session, lambda snapshot: snapshot.figures is not None and snapshot.figures.cuts)
    session.arm(armed=True)
    wait_for(session, runs_by_itself)
    assert session.snapshot().recording.armed
    wait_for(session, lambda snapshot: snapshot.recording.samples > 5000)
    (journal,) = folder.glob("*.journal")
    copied = tmp_path / "copied"
    copied.mkdir()
    os.link(journal, copied / journal.name)
    session.stop_recording()
    snapshot = wait_for(session, saved, timeout_s=30.0)
    session.close()
    sealed = open_recording(snapshot.recording.path)
    back = open_recording(recover(copied / journal.name).recording)
    table = pq.read_table(sealed.path)
    assert pq.read_table(back.path).equals(table)
    assert back.document == sealed.document
    ticks = table["tick_us"].to_numpy()
    loaded = ticks[table["current_a"].to_numpy() >= START_CURRENT_A]
    before_us = loaded[0] - ticks[0]
    assert 2_000_000 <= before_us <= PRE_TRIGGER_US + 3_000_000, "by turns, at ten times the speed of life"
    assert sealed.document["lost_samples"] == 0
    everything = whole["tick_us"].to_numpy()
    first = int(np.searchsorted(everything, ticks[0]))
    expected = whole.slice(first, len(table))
    for name in set(table.column_names) - {"t_s", "quality"}:
        assert table[name].slice(0, len(expected)).combine_chunks().equals(expected[name].combine_chunks())
    assert not session.snapshot().recording.armed, "stopped by hand: nothing starts by itself any more"


def test_the_recording_ends_a_while_after_the_load(tmp_path):
    """Two seconds of tail, and the next limb comes later: armed still, its load starts another run."""
    session = session_on(virtual(), tmp_path, armed=True, tail_s=2.0)
    wait_for(session, lambda snapshot: snapshot.recording.ends_in_s is not None, timeout_s=30.0)
    snapshot = wait_for(session, saved, timeout_s=30.0)
    assert snapshot.recording.armed
    first = snapshot.recording.path
    wait_for(session, lambda snapshot: snapshot.recording.path != first, timeout_s=30.0)
    session.close()
    document = open_recording(first).document
    assert document["ended"] == "the load had gone"
    table = pq.read_table(first)
    ticks, current = table["tick_us"].to_numpy(), table["current_a"].to_numpy()
    tail_s = (ticks[-1] - ticks[current >= IDLE_CURRENT_A][-1]) * 1e-6
    assert 2.0 <= tail_s < 4.0


def test_a_run_begun_by_hand_is_ended_by_hand(tmp_path):
    """Armed or not: what the operator began goes on through a pause longer than the tail."""
    session = session_on(virtual(), tmp_path, armed=True, tail_s=0.5)
    wait_for(session, lambda snapshot: snapshot.link.state is LinkState.STREAMING)
    session.start_recording()
    wait_for(session, lambda snapshot: snapshot.figures is not None and (snapshot.figures.cuts or 0) >= 3)
    assert session.snapshot().recording.state is RecordingState.RUNNING
    session.close()
    assert len(list(tmp_path.glob("*.parquet"))) == 1


def test_a_folder_that_cannot_be_written_is_told_once(tmp_path):
    """No file can be made: the operator is told, the arming is off, the stream goes on."""
    (tmp_path / "taken").write_text("a file where the folder should be")
    session = session_on(virtual(), tmp_path / "taken", armed=True)
    snapshot = wait_for(session, lambda snapshot: "folder" in snapshot.notice, timeout_s=30.0)
    assert "Choose another one" in snapshot.notice
    wait_for(session, lambda snapshot: not snapshot.recording.armed)
    wait_for(session, lambda snapshot: (snapshot.figures.cuts or 0) >= 2, timeout_s=30.0)
    assert session.failure is None
    session.close()


def test_a_zero_is_no_part_of_a_beginning(tmp_path):
    """A recording that begins by itself right behind a zero has the zero before its first sample."""
    session = session_on(virtual(), tmp_path, armed=True, seconds=5.0)
    wait_for(session, lambda snapshot: snapshot.figures is not None and snapshot.figures.samples > 200)
    session.zero("current_a")
    snapshot = wait_for(session, saved, timeout_s=30.0)
    session.close()
    document = open_recording(snapshot.recording.path).document
    assert set(document["zeros_before"]) == {"current_a"}
    assert document["zeros"] == []


def turn(number_of_bytes=10):
    return Turn(0, bytes(number_of_bytes), b"", [])


def at(seconds):
    """Return where a stream stands after so many seconds; None before its first sample."""
    return Position(1, None if seconds is None else round(seconds * 500), seconds and round(seconds * 1e6))


def test_the_beginning_is_four_seconds_long_whatever_came_before_the_first_sample():
    """Turns without a sample at the start, as on a line that lost the first frames, do not stop the ring."""
    kept = PreTrigger()
    for seconds in [None, None, None, *np.arange(1, 200) / 10]:
        kept.feed(at(seconds), turn(), None if seconds is None else round((seconds + 0.1) * 1e6))
    beginning = kept.beginning()
    assert beginning.at.next_tick_us == pytest.approx(20.0e6 - PRE_TRIGGER_US, abs=100_001)
    assert kept.beginning(idle_from_us=18_050_000).at.next_tick_us == 18_100_000
    kept.clear()
    assert kept.beginning() is None


def test_the_ring_is_bounded_whatever_the_logger_sends():
    """Many bytes without a sample, or many empty turns: what is kept stays small."""
    kept = PreTrigger()
    for _ in range(300):
        kept.feed(at(1.0), turn(60_000), 1_000_000)
    assert sum(len(one.received) for one in kept.beginning().turns) <= MOST_BYTES
    for _ in range(2000):
        kept.feed(at(1.0), turn(0), 1_000_000)
    assert len(kept.beginning().turns) <= MOST_TURNS
