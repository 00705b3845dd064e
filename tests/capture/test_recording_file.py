"""The Parquet file: any reader opens it, nothing is NaN, and it reads back as it was written."""

import json

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from logger_streams import (
    assert_same_rows,
    channel,
    columns_of,
    end,
    logger_with,
    samples,
    start_reply,
    stop_reply,
)

from capture.errors import RecordingDamaged
from capture.events import Mark
from capture.opening import Opening
from capture.path import LoggerDescription
from capture.run import Run
from capture.run_card import RunCard
from capture.storage.naming import new_recording, safe_word
from capture.storage.parquet_file import ROW_GROUP_ROWS, RecordingFile
from capture.storage.recording import open_recording


def recorded(path, messages, channels=None):
    logger = logger_with(channels or [channel()])
    run = Run(Opening(1_700_000_000_000_000_000, logger, RunCard("timed cut", "heron", "polesaw", "dry ash")))
    blocks = run.receive(messages).ordered
    run.apply(Mark(run.moment(5), "limb two"))
    blocks += end(run)
    file = RecordingFile(path, run.path.decoder.columns)
    for block in blocks:
        file.append(block)
    file.seal(run.document())
    return blocks


def test_another_reader_finds_the_documented_columns(tmp_path):
    """polars sees tick_us, t_s, quantity_unit and quality with the documented types, zstd inside."""
    recorded(tmp_path / "a.parquet", [start_reply(0), samples(0, 100), samples(100, 100)])
    frame = pl.read_parquet(tmp_path / "a.parquet")
    assert dict(frame.schema) == {
        "tick_us": pl.Int64,
        "t_s": pl.Float64,
        "current_a": pl.Float32,
        "quality": pl.UInt32,
    }
    assert frame["t_s"].to_list() == [tick * 1e-6 for tick in range(0, 200_000, 1000)]
    metadata = pq.read_metadata(tmp_path / "a.parquet")
    assert metadata.row_group(0).column(2).compression == "ZSTD"
    document = json.loads(metadata.metadata[b"sagline"])
    assert document["run_card"]["pack"] == "heron"
    assert document["channels"][0]["scale"] == "0.01"
    assert document["marks"][0]["text"] == "limb two"


def test_missing_is_null_never_nan(tmp_path):
    """A channel of divisor 4 is null in three rows of four."""
    channels = [channel(), channel(1, "force", "N", divisor=4)]
    rows = b"".join(b"\1\0" + (b"\2\0" if index % 4 == 0 else b"") for index in range(8))
    recorded(tmp_path / "a.parquet", [samples(0, 8).__class__(7, 0, 0, 8, rows)], channels)
    force = pl.read_parquet(tmp_path / "a.parquet")["force_n"]
    assert force.null_count() == 6
    assert force.is_nan().sum() == 0


def test_row_groups_are_full(tmp_path):
    """Row groups have 65,536 rows but for the last, however the blocks came."""
    frames = [samples(first, 100) for first in range(0, 140_000, 100)]
    recorded(tmp_path / "a.parquet", frames)
    metadata = pq.read_metadata(tmp_path / "a.parquet")
    groups = [metadata.row_group(number).num_rows for number in range(metadata.num_row_groups)]
    assert groups == [ROW_GROUP_ROWS, ROW_GROUP_ROWS, 140_000 - 2 * ROW_GROUP_ROWS]


def test_blocks_read_back_as_they_were_written(tmp_path):
    """Indices, ticks, readings (missing ones too) and quality survive, and gaps stay gaps."""
    channels = [channel(), channel(1, "voltage", "V", divisor=2)]
    rows = b"".join(b"\1\0" + (b"\2\0" if index % 2 == 0 else b"") for index in range(10))
    kind = samples(0, 1).__class__
    messages = [start_reply(0), kind(7, 0, 0, 10, rows), kind(7, 30, 30_000, 10, rows), stop_reply(45)]
    written = recorded(tmp_path / "a.parquet", messages, channels)
    recording = open_recording(tmp_path / "a.parquet")
    assert_same_rows(columns_of(list(recording.blocks())), columns_of(written))
    gaps = recording.document["gaps"]
    assert [(gap["first_index"], gap["end_index"]) for gap in gaps] == [(10, 30), (40, 45)]
    assert (gaps[0]["start_s"], gaps[0]["end_s"]) == (pytest.approx(0.009), pytest.approx(0.030))
    assert recording.document["lost_samples"] == 25
    assert recording.span_s == pytest.approx(0.040)


def test_an_empty_run_is_a_recording_too(tmp_path):
    """A run stopped before its first sample opens and has no rows."""
    recorded(tmp_path / "a.parquet", [])
    assert list(open_recording(tmp_path / "a.parquet").blocks()) == []


def foreign(path):
    pq.write_table(pa.table({"x": [1]}), path)


def cut_short(path):
    recorded(path, [samples(0, 100)])
    path.write_bytes(path.read_bytes()[:-20])


def damaged_inside(path):
    recorded(path, [samples(first, 100) for first in range(0, 50_000, 100)])
    content = bytearray(path.read_bytes())
    content[10:400] = b"\xff" * 390
    path.write_bytes(content)


def other_format(path):
    recorded(path, [samples(0, 10)])
    with pq.ParquetFile(path) as file:
        table = file.read()
    document = json.loads(table.schema.metadata[b"sagline"]) | {"format": 99}
    pq.write_table(table.replace_schema_metadata({"sagline": json.dumps(document)}), path)


def rows_taken_out(path):
    recorded(path, [samples(0, 100)])
    with pq.ParquetFile(path) as file:
        table = file.read()
    pq.write_table(table.slice(0, 50), path)


def rewritten(path, change_table, change_document):
    recorded(path, [samples(0, 10)])
    with pq.ParquetFile(path) as file:
        table = file.read()
    document = change_document(json.loads(table.schema.metadata[b"sagline"]))
    pq.write_table(change_table(table).replace_schema_metadata({"sagline": json.dumps(document)}), path)


def without_gaps(path):
    rewritten(path, lambda table: table, lambda document: {k: v for k, v in document.items() if k != "gaps"})


def run_card_of_text(path):
    rewritten(path, lambda table: table, lambda document: document | {"run_card": "heron"})


def document_of_numbers(path):
    rewritten(path, lambda table: table, lambda _document: [1, 2])


def divisor_of_nothing(path):
    def change(document):
        document["channels"][0]["divisor"] = 0
        return document

    rewritten(path, lambda table: table, change)


def marks_of_numbers(path):
    rewritten(path, lambda table: table, lambda document: {**document, "marks": [{"t_s": 1.0, "text": 5}]})


def reading_of_text(path):
    reading = {"t_s": None, "quantity": "depth", "value": "1", "unit": "mm"}
    rewritten(path, lambda table: table, lambda document: {**document, "readings": [reading]})


def limit_of_text(path):
    card = {"run_card": {"max_current_a": "60"}}
    rewritten(path, lambda table: table, lambda document: {**document, **card})


def current_of_text(path):
    def change(table):
        at = table.schema.get_field_index("current_a")
        return table.set_column(at, "current_a", table["current_a"].cast(pa.string()))

    rewritten(path, change, lambda document: document)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (without_gaps, "has a document that cannot be read"),
        (run_card_of_text, "run_card is not what it should be"),
        (limit_of_text, "run_card holds what no run card can"),
        (marks_of_numbers, "marks are not what they should be"),
        (reading_of_text, "readings are not what they should be"),
        (document_of_numbers, "has a document that cannot be read"),
        (divisor_of_nothing, "divisor is not a whole number above zero"),
        (current_of_text, "has columns that its own document does not tell of"),
        (lambda path: path.write_text("t_s,current_a\n0,1\n"), "is not a Parquet file"),
        (lambda _path: None, "is not a file"),
        (foreign, "a Parquet file of another program"),
        (cut_short, "is a Parquet file that cannot be read"),
        (damaged_inside, "cannot be read to its end"),
        (other_format, "a recording of format 99"),
        (rows_taken_out, "has rows that its own document does not tell of"),
    ],
    ids=[
        "no gaps",
        "run card of text",
        "limit of text",
        "marks of numbers",
        "reading of text",
        "document of numbers",
        "divisor of nothing",
        "current of text",
        "csv",
        "missing",
        "foreign",
        "cut short",
        "damaged",
        "later format",
        "edited",
    ],
)
def test_what_is_no_recording_is_told_in_one_line(tmp_path, make, words):
    """Foreign and broken files: what, where and what to do, in one line."""
    path = tmp_path / "a.parquet"
    make(path)
    with pytest.raises(RecordingDamaged, match=words) as told:
        list(open_recording(path).blocks())
    assert str(path) in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("heron", "heron"),
        ("../../etc/passwd", "etc-passwd"),
        ("Grün 5 Ah", "grun-5-ah"),
        ("///", ""),
        ("x" * 99, "x" * 32),
    ],
)
def test_names_on_disk_are_harmless(text, word):
    """Nothing that a person or a device calls itself can leave the folder."""
    assert safe_word(text) == word


def test_names_never_collide(tmp_path):
    """Two runs in the same second get two files."""
    card = RunCard(pack="heron")
    first = new_recording(tmp_path, card, 0)
    first.touch()
    second = new_recording(tmp_path, card, 0)
    second.with_name(second.name.replace(".parquet", ".journal")).touch()
    assert len({first, second, new_recording(tmp_path, card, 0)}) == 3
    assert "heron" in first.name


def test_description_is_kept_as_the_logger_gave_it(stream):
    """An opening survives its way through JSON whole."""
    opening = Opening(7, stream.logger, RunCard(pack="wren"), sample_limit=12)
    back = Opening.from_json(json.loads(json.dumps(opening.as_json())))
    assert back == opening
    assert isinstance(back.logger, LoggerDescription)
    assert np.isfinite(back.opened_ns)
