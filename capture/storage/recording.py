"""A finished recording as it is read back: its document and its samples as blocks."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from capture.blocks import SampleBlock
from capture.errors import RecordingDamaged
from capture.run_card import is_card
from capture.storage.amendments import merged, read_amendments
from capture.storage.naming import amendments_of
from capture.storage.parquet_file import DOCUMENT_KEY, QUALITY_COLUMN, TIME_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

READ_ROWS: Final = 65_536
#: Formats of the document that this program reads; 1 lacks recovered samples and host events but marks.
KNOWN_FORMATS: Final = frozenset({1, 2})
_MAGIC: Final = b"PAR1"
#: What people said of a run, and which of its words are shown.
_WORDS_IN: Final = {"marks": ("text",), "notes": ("text",), "readings": ("quantity", "unit")}
_RELIED_ON: Final = {
    "opened": str,
    "run_card": dict,
    "logger": dict,
    "channels": list,
    "stretches": list,
    "gaps": list,
    "marks": list,
    "clipped": dict,
    "lost_samples": int,
    "ended": str,
    "interrupted": bool,
}


@dataclass(frozen=True)
class Recording:
    """A recording on disk: `document` was kept beside the samples, `columns` are those of its channels.

    What was amended afterwards is in the document; `amendments_fault` says in a line why amendments that are
    there could not be read, and then the document is the recording's own.
    """

    path: Path
    document: dict[str, Any]
    columns: tuple[str, ...]
    rows: int
    amendments_fault: str | None = None

    @property
    def span_s(self) -> float:
        """Return the time from the first sample to the end of the last, gaps included, nominally.

        A logger that restarted in mid-run counts anew: each of its segments adds its own span.
        """
        ends: dict[int, tuple[int, int]] = {}
        for segment, first_index, rows in self.document["stretches"]:
            start, _ = ends.get(segment, (first_index, 0))
            ends[segment] = (start, first_index + rows)
        samples = sum(end - start for start, end in ends.values())
        return float(samples * self.document["logger"]["interval_ns"] * 1e-9)

    @property
    def divisors(self) -> dict[str, int]:
        """Every how many samples each column has a reading."""
        return {channel["column"]: channel["divisor"] for channel in self.document["channels"]}

    def blocks(self) -> Iterator[SampleBlock]:
        """Yield the samples in order, no block reaching across a gap."""
        stretches = iter(self.document["stretches"])
        segment, index, left = 0, 0, 0
        try:
            with pq.ParquetFile(self.path) as file:
                for batch in file.iter_batches(READ_ROWS):
                    start = 0
                    while start < batch.num_rows:
                        if left == 0:
                            segment, index, left = next(stretches)
                        count = min(left, batch.num_rows - start)
                        yield self._block(batch.slice(start, count), segment, index)
                        start, index, left = start + count, index + count, left - count
        except (pa.ArrowException, OSError, StopIteration, ValueError) as error:
            raise _damaged(self.path, f"cannot be read to its end ({_first_line(error)})") from error

    def _block(self, batch: pa.RecordBatch, segment: int, first_index: int) -> SampleBlock:
        return SampleBlock(
            segment,
            first_index,
            batch.column("tick_us").to_numpy(),
            {name: batch.column(name).to_numpy(zero_copy_only=False) for name in self.columns},
            batch.column(QUALITY_COLUMN).to_numpy().astype(np.uint32),
        )


def open_recording(path: Path) -> Recording:
    """Return the recording at `path`, amended; raise RecordingDamaged where there is none that can be read.

    Damaged amendments do not take the samples with them: the recording says so and opens without.
    """
    if not path.is_file():
        raise RecordingDamaged("is not a file", str(path), "Run `sagline list` to see what is there.")
    try:
        with pq.ParquetFile(path) as file:
            metadata, schema = file.metadata, file.schema_arrow
    except (pa.ArrowException, OSError) as error:
        raise _not_parquet(path, error) from error
    kept = (metadata.metadata or {}).get(DOCUMENT_KEY.encode())
    if kept is None:
        raise RecordingDamaged(
            f"is a Parquet file of another program (columns {', '.join(schema.names[:6])})",
            str(path),
            "This command reads the recordings that sagline makes.",
        )
    document = _document(path, kept)
    columns = tuple(channel["column"] for channel in document["channels"])
    told = dict(zip(schema.names, schema.types, strict=True))
    if list(told) != [*TIME_COLUMNS, *columns, QUALITY_COLUMN] or not _types_fit(told, columns):
        raise _damaged(path, "has columns that its own document does not tell of")
    if sum(rows for _, _, rows in document["stretches"]) != metadata.num_rows:
        raise _damaged(path, "has rows that its own document does not tell of")
    return _amended(Recording(path, document, columns, metadata.num_rows))


def _amended(recording: Recording) -> Recording:
    """Return the recording with its amendments, or with the reason why they cannot be had."""
    try:
        document = merged(recording.document, read_amendments(recording.path).amendments)
    except RecordingDamaged as error:
        return replace(recording, amendments_fault=str(error))
    except ValueError as error:
        fault = f"{amendments_of(recording.path)}: does not belong to this recording: it {error}"
        return replace(recording, amendments_fault=fault)
    return replace(recording, document=document)


def _document(path: Path, kept: bytes) -> dict[str, Any]:
    """Return the document in the metadata of a recording, with all that its readers rely on."""
    try:
        document: dict[str, Any] = json.loads(kept)
        known = document["format"]
        if known in KNOWN_FORMATS:
            _rely_on(document)
    except (ValueError, KeyError, TypeError) as error:
        raise _damaged(path, f"has a document that cannot be read ({_first_line(error)})") from error
    if known not in KNOWN_FORMATS:
        raise RecordingDamaged(
            f"is a recording of format {known}; this program reads up to {max(KNOWN_FORMATS)}",
            str(path),
            "Read it with the version of sagline that made it, or a newer one.",
        )
    return document


def _rely_on(document: dict[str, Any]) -> None:
    """Raise KeyError, TypeError or ValueError where `document` lacks what readers of a recording use."""
    for key, kind in _RELIED_ON.items():
        if not isinstance(document[key], kind):
            raise TypeError(f"{key} is not what it should be")
    whole = [document["logger"]["interval_ns"]]
    for segment, first_index, rows in document["stretches"]:
        whole += [segment, first_index, rows]
    if not all(isinstance(number, int) for number in whole):
        raise TypeError("stretches or interval are not whole numbers")
    _rely_on_people(document)
    for channel in document["channels"]:
        if not isinstance(channel["column"], str):
            raise TypeError("a channel's column is not a name")
        if not isinstance(channel["divisor"], int) or channel["divisor"] < 1:
            raise TypeError("a channel's divisor is not a whole number above zero")


def _rely_on_people(document: dict[str, Any]) -> None:
    """Raise KeyError or TypeError where what people said of the run is not as it is kept."""
    if not is_card(document["run_card"]):
        raise TypeError("run_card holds what no run card can")
    for name, words in _WORDS_IN.items():
        if not all(_is_entry(entry, words) for entry in document.get(name, [])):
            raise TypeError(f"{name} are not what they should be")


def _is_entry(entry: Any, words: tuple[str, ...]) -> bool:
    """Return whether `entry` was said of a run: it has a moment, perhaps unknown, and its words."""
    return (
        isinstance(entry, dict)
        and isinstance(entry["t_s"], int | float | None)
        and all(isinstance(entry[word], str) for word in words)
        and isinstance(entry.get("value", 0.0), int | float)
        and isinstance(entry.get("resolution"), int | float | None)
    )


def _types_fit(types: dict[str, pa.DataType], columns: tuple[str, ...]) -> bool:
    """Return whether every column holds the kind of number that a recording keeps there."""
    return (
        types["tick_us"] == pa.int64()
        and types["t_s"] == pa.float64()
        and types[QUALITY_COLUMN] == pa.uint32()
        and all(types[name] in {pa.float32(), pa.float64()} for name in columns)
    )


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


def _not_parquet(path: Path, error: Exception) -> RecordingDamaged:
    try:
        with path.open("rb") as file:
            begins_well = file.read(len(_MAGIC)) == _MAGIC
    except OSError as reason:
        return RecordingDamaged(
            f"cannot be read ({reason.strerror})", str(path), "Check that you may read it."
        )
    if begins_well:
        return _damaged(path, f"is a Parquet file that cannot be read ({_first_line(error)})")
    return RecordingDamaged("is not a Parquet file", str(path), "Give a recording; see `sagline list`.")


def _damaged(path: Path, what: str) -> RecordingDamaged:
    return RecordingDamaged(
        what, str(path), "Take the copy from your backup; this file was changed or cut short."
    )
