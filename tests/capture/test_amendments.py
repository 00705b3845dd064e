"""Amendments: what is added after a run is kept whole or not at all, and never costs the recording."""

import json
import os
from dataclasses import replace

import portalocker
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from logger_streams import channel, end, logger_with, samples, start_reply

from capture.errors import DiskFull, InputError, RecordingDamaged, RecordingInUse
from capture.events import Mark, Note, Reading, TypedReading
from capture.opening import Opening
from capture.run import Run
from capture.run_card import Outcome, RunCard, checked_field
from capture.storage.amendments import (
    MOST_BYTES,
    Amendments,
    amend,
    merged,
    read_amendments,
    write_amendments,
)
from capture.storage.naming import amendments_of, partial_of
from capture.storage.parquet_file import RecordingFile
from capture.storage.recording import open_recording

VOID = Amendments({"outcome": Outcome.VOID, "outcome_reason": "the chain was blunt", "pack": "heron"})


@pytest.fixture
def stored(tmp_path):
    """Return a short recording with a mark, a note and a reading."""
    path = tmp_path / "a.parquet"
    run = Run(
        Opening(1, logger_with([channel()]), RunCard("timed cut", "wren", "polesaw", max_current_a=60.0))
    )
    blocks = run.receive([start_reply(0), samples(0, 100)]).ordered
    run.apply(Mark(run.moment(5), "limb one"))
    run.apply(Note(run.moment(6), "dry ash"))
    run.apply(Reading(run.moment(7), "clamp force", 210.0, "N", 5.0))
    blocks += end(run)
    file = RecordingFile(path, run.path.decoder.columns)
    for block in blocks:
        file.append(block)
    file.seal(run.document())
    return path


text = st.text(max_size=30)
number = st.floats(allow_nan=False, allow_infinity=False)
readings = st.builds(
    TypedReading,
    text.filter(str.strip),
    number,
    text,
    st.none() | st.floats(min_value=1e-9, max_value=1e9),
)
cards = st.fixed_dictionaries(
    {},
    optional={
        "pack": st.none() | text.filter(bool),
        "note": text,
        "outcome": st.sampled_from([None, *Outcome]),
        "section_mm2": st.floats(min_value=1e-3, max_value=1e6),
        "series": st.integers(1, 20),
    },
)


@given(
    st.builds(
        Amendments,
        cards,
        st.lists(text, max_size=3).map(tuple),
        st.lists(readings, max_size=3).map(tuple),
        st.dictionaries(st.integers(1, 9), text, max_size=3),
    )
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50, deadline=None)
def test_what_is_kept_is_read_again(stored, amendments):
    """Any text, numbers to the bit."""
    write_amendments(stored, amendments, over=read_amendments(stored))
    assert read_amendments(stored).amendments == amendments


def test_an_amended_recording_has_all_of_it_in_its_document(stored):
    before = open_recording(stored).document
    amend(stored, Amendments({"pack": "heron", "outcome": Outcome.TRIPPED}, ("stopped twice",)))
    amend(stored, Amendments(readings=(TypedReading("depth", 31.5, "mm", 0.5),), mark_texts={1: "limb 1"}))
    document = open_recording(stored).document
    assert document["amended"] is True
    assert (document["run_card"]["pack"], document["run_card"]["outcome"]) == ("heron", "tripped")
    assert document["run_card_as_recorded"] == before["run_card"]
    assert [note["text"] for note in document["notes"]] == ["dry ash", "stopped twice"]
    assert [reading.get("after", False) for reading in document["readings"]] == [False, True]
    assert document["readings"][1]["t_s"] is None
    assert (document["readings"][1]["value"], document["readings"][1]["unit"]) == (31.5, "mm")
    assert document["marks"][0]["text"] == "limb 1"
    assert document["marks"][0]["t_s"] == before["marks"][0]["t_s"]
    unchanged = set(before) - {"run_card", "notes", "readings", "marks"}
    assert {key: document[key] for key in unchanged} == {key: before[key] for key in unchanged}


def test_a_recording_without_amendments_says_nothing_of_them(stored):
    assert "amended" not in open_recording(stored).document


def test_a_renamed_recording_reads_without_its_amendments(stored):
    amend(stored, VOID)
    other = stored.rename(stored.with_name("b.parquet"))
    assert open_recording(other).document["run_card"]["outcome"] is None


def test_merging_leaves_what_was_given_as_it_was(stored):
    before = open_recording(stored).document
    copy = json.loads(json.dumps(before))
    merged(before, Amendments({"pack": "x"}, ("n",), mark_texts={1: "t"}))
    assert before == copy


def document(**changes):
    whole = {"format": 1, "card": {}, "notes": [], "readings": [], "mark_texts": {}}
    return json.dumps({**whole, **changes}).encode()


ONE_LIMIT = document(card={"max_current_a": 1})
READING = {"quantity": "depth", "value": 1, "unit": "mm", "resolution": None}
DAMAGED = {
    "empty": b"",
    "cut short": document()[:-3],
    "no JSON": b"\x00\xff\xfe",
    "no object": b"[1, 2]",
    "deep": b"[" * 100_000,
    "another format": document(format=99),
    "a format of any length": document(format="x" * 5000),
    "no card": document(card=[]),
    "unknown field": document(card={"colour": "red"}),
    "a hundred kilobytes of name": document(card={"x" * 100_000: 1}),
    "unknown outcome": document(card={"outcome": "splendid"}),
    "an outcome that is a list": document(card={"outcome": []}),
    "a pack that is a number": document(card={"pack": 5}),
    "a limit below zero": document(card={"max_current_a": -1}),
    "a limit that is a truth": document(card={"max_current_a": True}),
    "a number without end": ONE_LIMIT.replace(b": 1}", b": 1e999}"),
    "not a number": ONE_LIMIT.replace(b": 1}", b": NaN}"),
    "a number of many digits": ONE_LIMIT.replace(b": 1}", b": 1" + b"0" * 5000 + b"}"),
    "half a character": document(notes=["\ud800"]),
    "a note that is none": document(notes=[{}]),
    "notes that are text": document(notes="abc"),
    "a reading without a unit": document(readings=[{"quantity": "depth", "value": 1}]),
    "a reading without a number": document(readings=[{**READING, "value": "1"}]),
    "a resolution of nothing": document(readings=[{**READING, "resolution": 0}]),
    "a mark without a number": document(mark_texts={"first": "x"}),
    "mark zero": document(mark_texts={"0": "x"}),
    "a mark that the run has not": document(mark_texts={"2": "x"}),
    "too large": document(notes=["x" * MOST_BYTES]),
}


@pytest.mark.parametrize("content", DAMAGED.values(), ids=DAMAGED.keys())
def test_damaged_amendments_leave_the_recording_readable(stored, content):
    """It opens with its own document and says in one short line why without the amendments."""
    before = open_recording(stored)
    amendments_of(stored).write_bytes(content)
    recording = open_recording(stored)
    assert recording.document == before.document
    assert amendments_of(stored).name in recording.amendments_fault
    assert "\n" not in recording.amendments_fault
    assert len(recording.amendments_fault) < len(str(stored)) + 300


@pytest.mark.parametrize(
    "content", [text for name, text in DAMAGED.items() if name != "a mark that the run has not"]
)
def test_damaged_amendments_are_never_overwritten(stored, content):
    amendments_of(stored).write_bytes(content)
    with pytest.raises(RecordingDamaged, match="cannot be read"):
        amend(stored, VOID)
    assert amendments_of(stored).read_bytes() == content


@given(st.binary(max_size=200))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50, deadline=None)
def test_any_bytes_beside_a_recording_leave_it_readable(stored, content):
    amendments_of(stored).write_bytes(content)
    assert open_recording(stored).amendments_fault is not None


def test_what_is_no_file_is_not_opened(stored):
    """Opening a named pipe would wait for ever."""
    os.mkfifo(amendments_of(stored))
    assert "no file" in open_recording(stored).amendments_fault


def test_amendments_that_changed_meanwhile_are_not_overwritten(stored):
    mine = read_amendments(stored)
    amend(stored, Amendments(notes=("of somebody else",)))
    with pytest.raises(RecordingInUse, match="was changed"):
        write_amendments(stored, VOID, over=mine)
    assert read_amendments(stored).amendments.notes == ("of somebody else",)


def test_a_file_that_went_away_meanwhile_is_not_made_again(stored):
    amend(stored, VOID)
    mine = read_amendments(stored)
    amendments_of(stored).unlink()
    with pytest.raises(RecordingInUse):
        write_amendments(stored, VOID, over=mine)
    assert not amendments_of(stored).exists()


def test_only_one_writes_at_a_time(stored):
    with stored.open("rb") as file:
        portalocker.lock(file, portalocker.LockFlags.EXCLUSIVE | portalocker.LockFlags.NON_BLOCKING)
        with pytest.raises(RecordingInUse, match="another process"):
            amend(stored, VOID)
    amend(stored, VOID)


@pytest.mark.parametrize("place", ["os.fsync", "pathlib.Path.replace"])
def test_a_crash_before_the_renaming_leaves_the_old_amendments(stored, monkeypatch, place):
    """As when the power goes: the process does nothing more. The next writer is not in its way."""
    amend(stored, Amendments(notes=("first",)))

    class PowerCut(BaseException):
        pass

    def stop(*_):
        raise PowerCut

    with monkeypatch.context() as patch:
        patch.setattr(place, stop)
        with pytest.raises(PowerCut):
            amend(stored, Amendments(notes=("second",)))
    assert partial_of(amendments_of(stored)).exists()
    assert open_recording(stored).document["notes"][-1]["text"] == "first"
    amend(stored, Amendments(notes=("third",)))
    assert read_amendments(stored).amendments.notes == ("first", "third")
    assert not partial_of(amendments_of(stored)).exists()


def test_a_full_disk_is_said_and_leaves_the_old_amendments(stored, monkeypatch):
    amend(stored, Amendments(notes=("first",)))

    def fail(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(DiskFull, match="No space left"):
        amend(stored, VOID)
    assert read_amendments(stored).amendments.notes == ("first",)


def test_what_no_file_can_hold_is_refused_before_anything_is_written(stored):
    reading = TypedReading("depth", 1.0, "mm")
    for wrong in (
        Amendments({"outcome": "splendid"}),
        Amendments({"pack": "\ud800"}),
        Amendments(notes=("\udcff",)),
        Amendments(readings=(replace(reading, value=float("nan")),)),
        Amendments(readings=(replace(reading, quantity=" "),)),
        Amendments(mark_texts={0: "x"}),
        Amendments(notes=("x" * MOST_BYTES,)),
    ):
        with pytest.raises(InputError):
            amend(stored, wrong)
    assert not amendments_of(stored).exists()


def test_a_recording_that_is_not_there_cannot_be_amended(tmp_path):
    with pytest.raises(RecordingDamaged):
        amend(tmp_path / "none.parquet", VOID)
    assert list(tmp_path.iterdir()) == []


def test_fields_of_a_card_are_checked_by_name():
    assert checked_field("pack", "") is None
    assert checked_field("note", None) == ""
    assert checked_field("ambient_degc", -5) == -5.0
    for name, value in (("ambient_degc", -300), ("series", 1.5), ("series", True), ("pack", 3), ("age", 1)):
        with pytest.raises(ValueError):
            checked_field(name, value)
