"""A finished recording as it is read back: its document and its samples as blocks."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from capture.blocks import SampleBlock
from capture.errors import RecordingDamaged
from capture.run import DOCUMENT_FORMAT
from capture.storage.parquet_file import DOCUMENT_KEY, QUALITY_COLUMN, TIME_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

READ_ROWS: Final = 65_536
_MAGIC: Final = b"PAR1"


@dataclass(frozen=True)
class Recording:
    """A recording on disk: `document` was kept beside the samples, `columns` are those of its channels."""

    path: Path
    document: dict[str, Any]
    columns: tuple[str, ...]
    rows: int

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
    """Return the recording at `path`; raise RecordingDamaged where there is none that can be read."""
    if not path.is_file():
        raise RecordingDamaged("is not a file", str(path), "Run `sagline list` to see what is there.")
    try:
        with pq.ParquetFile(path) as file:
            metadata = file.metadata
            names = file.schema_arrow.names
    except (pa.ArrowException, OSError) as error:
        raise _not_parquet(path, error) from error
    kept = (metadata.metadata or {}).get(DOCUMENT_KEY.encode())
    if kept is None:
        raise RecordingDamaged(
            f"is a Parquet file of another program (columns {', '.join(names[:6])})",
            str(path),
            "This command reads the recordings that sagline makes.",
        )
    try:
        document = json.loads(kept)
        known = document["format"]
        columns = tuple(channel["column"] for channel in document["channels"])
        rows_told = sum(rows for _, _, rows in document["stretches"])
    except (ValueError, KeyError, TypeError) as error:
        raise _damaged(path, f"has a document that cannot be read ({_first_line(error)})") from error
    if known != DOCUMENT_FORMAT:
        raise RecordingDamaged(
            f"is a recording of format {known}; this program reads {DOCUMENT_FORMAT}",
            str(path),
            "Read it with the version of sagline that made it, or a newer one.",
        )
    if names != [*TIME_COLUMNS, *columns, QUALITY_COLUMN] or rows_told != metadata.num_rows:
        raise _damaged(path, "has columns or rows that its own document does not tell of")
    return Recording(path, document, columns, metadata.num_rows)


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
