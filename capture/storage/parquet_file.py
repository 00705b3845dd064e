"""The Parquet file of a recording while it is written: row groups as they fill, the document at the end."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from capture.blocks import SampleBlock, join
from capture.durable import sync_folder
from capture.errors import RecordingDamaged
from capture.storage.naming import partial_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

DOCUMENT_KEY: Final = "sagline"
ROW_GROUP_ROWS: Final = 65_536
TIME_COLUMNS: Final = ("tick_us", "t_s")
QUALITY_COLUMN: Final = "quality"


def schema_of(columns: Mapping[str, type[np.float32 | np.float64]]) -> pa.Schema:
    """Return the schema of a recording whose channels have these columns and number types."""
    fields: list[pa.Field[Any]] = [
        pa.field("tick_us", pa.int64(), nullable=False),
        pa.field("t_s", pa.float64(), nullable=False),
        *(
            pa.field(name, pa.float64() if dtype is np.float64 else pa.float32())
            for name, dtype in columns.items()
        ),
        pa.field(QUALITY_COLUMN, pa.uint32(), nullable=False),
    ]
    return pa.schema(fields)


class RecordingFile:
    """Writes `NAME.parquet.partial` and, when all is in, turns it into `NAME.parquet`."""

    def __init__(self, path: Path, columns: Mapping[str, type[np.float32 | np.float64]]) -> None:
        self.path = path
        self._partial = partial_of(path)
        self._schema = schema_of(columns)
        self._columns = tuple(columns)
        self._first_tick_us: int | None = None
        self._waiting: list[SampleBlock] = []
        self._waiting_rows = 0
        self.rows = 0
        self._writer = pq.ParquetWriter(
            self._partial,
            self._schema,
            compression="zstd",
            use_dictionary=[*self._columns, QUALITY_COLUMN],  # type: ignore[arg-type]  # stubs know only bool
            column_encoding={"tick_us": "DELTA_BINARY_PACKED", "t_s": "BYTE_STREAM_SPLIT"},
        )

    def append(self, block: SampleBlock) -> None:
        """Take ordered samples; a row group goes to the file whenever 65,536 rows are together."""
        start = 0
        while start < len(block):
            stop = min(len(block), start + ROW_GROUP_ROWS - self._waiting_rows)
            self._waiting.append(block.part(start, stop))
            self._waiting_rows += stop - start
            start = stop
            if self._waiting_rows == ROW_GROUP_ROWS:
                self._write_row_group()

    def seal(self, document: dict[str, Any]) -> Path:
        """Write what waits and the document, make all of it safe, rename, reopen and verify.

        Returns the path of the finished recording. Raises RecordingDamaged where the file reads back
        otherwise than it was written.
        """
        self._write_row_group()
        self._writer.add_key_value_metadata({DOCUMENT_KEY: json.dumps(document, allow_nan=False)})
        self._writer.close()
        with self._partial.open("rb+") as file:
            os.fsync(file.fileno())
        self._partial.replace(self.path)
        sync_folder(self.path.parent)
        self._verify()
        return self.path

    def abandon(self) -> None:
        """Close and delete the unfinished file."""
        self._writer.close()
        self._partial.unlink(missing_ok=True)

    def _write_row_group(self) -> None:
        if not self._waiting:
            return
        # Blocks of different stretches are joined too: here only their rows matter, not their indices.
        rows = join(self._waiting)
        self._waiting, self._waiting_rows = [], 0
        if self._first_tick_us is None:
            self._first_tick_us = int(rows.ticks_us[0])
        elapsed_s = (rows.ticks_us - self._first_tick_us) * 1e-6
        readings = [pa.array(rows.columns[name], from_pandas=True) for name in self._columns]
        arrays = [pa.array(rows.ticks_us), pa.array(elapsed_s), *readings, pa.array(rows.quality)]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema), ROW_GROUP_ROWS)
        self.rows += len(rows)

    def _verify(self) -> None:
        """Read every row back: what the disk made of it must be what was given to it."""
        with pq.ParquetFile(self.path) as file:
            found = sum(batch.num_rows for batch in file.iter_batches())
            told = DOCUMENT_KEY.encode() in (file.metadata.metadata or {})
        if found != self.rows or not told:
            raise RecordingDamaged(
                f"holds {found} rows after writing {self.rows}" + ("" if told else ", and no document"),
                str(self.path),
                "Keep the journal beside it and run: sagline recover",
            )
