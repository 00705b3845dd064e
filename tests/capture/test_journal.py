"""The journal gives back every good record, whatever happened to the file."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import RecordingDamaged, RecordingInUse
from capture.storage import journal
from capture.storage.journal import FILE_HEAD, JournalReader, JournalWriter, Record, RecordKind, encode_record

RECORDS = st.lists(
    st.builds(Record, st.sampled_from(RecordKind), st.integers(0, 2**62), st.binary(max_size=300)),
    min_size=1,
    max_size=12,
)


def read(path):
    reader = JournalReader(path)
    try:
        return list(reader.records()), reader.skipped_bytes
    finally:
        reader.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("journals")


def written(folder, content):
    path = folder / "run.journal"
    path.write_bytes(content)
    return path


def test_what_is_written_is_read(tmp_path):
    """Records come back in order, with kind, time and payload."""
    records = [Record(RecordKind.OPENING, 1, b"{}"), Record(RecordKind.BYTES_IN, 2, b"\0" * 70_000)]
    writer = JournalWriter(tmp_path / "run.journal")
    for record in records:
        writer.append(record)
    writer.sync()
    writer.close()
    assert read(tmp_path / "run.journal") == (records, 0)


@settings(deadline=None)
@given(records=RECORDS, data=st.data())
def test_a_torn_tail_costs_the_last_record_only(folder, records, data):
    """Cut anywhere, all records that end before the cut are there."""
    parts = [FILE_HEAD, *map(encode_record, records)]
    content = b"".join(parts)
    cut = data.draw(st.integers(len(FILE_HEAD), len(content)))
    ends = [sum(map(len, parts[: count + 2])) for count in range(len(records))]
    found, skipped = read(written(folder, content[:cut]))
    assert found == [record for record, end in zip(records, ends, strict=True) if end <= cut]
    assert skipped == cut - max([len(FILE_HEAD), *(end for end in ends if end <= cut)])


@settings(deadline=None)
@given(records=RECORDS, data=st.data())
def test_one_damaged_byte_costs_one_record(folder, records, data):
    """A flipped byte anywhere behind the head loses the record that it lies in and no other."""
    content = bytearray(FILE_HEAD + b"".join(map(encode_record, records)))
    at = data.draw(st.integers(len(FILE_HEAD), len(content) - 1))
    content[at] ^= data.draw(st.integers(1, 255))
    found, _ = read(written(folder, bytes(content)))
    hit, end = 0, len(FILE_HEAD)
    for number, record in enumerate(records):
        end += len(encode_record(record))
        if at < end:
            hit = number
            break
    assert found == [record for number, record in enumerate(records) if number != hit]


@settings(deadline=None)
@given(records=RECORDS, junk=st.binary(max_size=200), place=st.integers(0, 12))
def test_junk_between_records_is_skipped_and_counted(folder, records, junk, place):
    """Bytes that are no record are stepped over."""
    parts = [*map(encode_record, records)]
    parts.insert(min(place, len(parts)), junk)
    found, skipped = read(written(folder, FILE_HEAD + b"".join(parts)))
    assert (found, skipped) == (records, len(junk))


def test_a_running_journal_is_left_alone(tmp_path):
    """While its writer lives nobody else may read it for recovery."""
    writer = JournalWriter(tmp_path / "run.journal")
    with pytest.raises(RecordingInUse, match="being recorded by another process"):
        JournalReader(tmp_path / "run.journal")
    writer.close()
    JournalReader(tmp_path / "run.journal").close()


def test_a_missing_journal_is_told(tmp_path):
    """One line instead of a traceback."""
    with pytest.raises(RecordingDamaged, match="cannot be opened"):
        JournalReader(tmp_path / "none.journal")


def test_a_journal_that_a_recovery_removed_before_it_was_locked_is_made_again(tmp_path, monkeypatch):
    """Between making the file and locking it another process may take it for an empty one left behind."""
    path, lock, removed = tmp_path / "run.journal", journal._lock, []

    def remove_first(file, where):
        if not removed:
            removed.append(where)
            where.unlink()
        lock(file, where)

    monkeypatch.setattr(journal, "_lock", remove_first)
    writer = JournalWriter(path)
    writer.append(Record(RecordKind.BYTES_IN, 1, b"kept"))
    writer.sync()
    writer.close()
    reader = JournalReader(path)
    assert removed
    assert [record.payload for record in reader.records()] == [b"kept"]
    reader.close()
