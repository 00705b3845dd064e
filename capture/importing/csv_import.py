"""A recording made of a CSV file: the same Parquet, the same document, the same figures as of a live run.

The file is read twice: a survey finds interval, slower columns and resolution, then the rows are written. A
row's tick is its own time to the microsecond. A step that is much longer than usual is a gap: what happened
in it is not known, and charge and energy leave it out. Readings are kept as float64, as they were written.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.blocks import Quality, SampleBlock
from capture.calibration.logger import CalibratedLogger
from capture.clipping import ClippedRanges
from capture.errors import DiskFull, InputError
from capture.importing.csv_rows import CsvRows, Dialect, find_dialect
from capture.importing.headers import TIME, Header, SourceColumn, read_header
from capture.importing.range_ends import range_end
from capture.importing.survey import ColumnSurvey
from capture.importing.times import Steps, TimeColumn
from capture.opening import software_version
from capture.quantities import unit_of
from capture.run import DOCUMENT_FORMAT
from capture.run_card import RunCard
from capture.storage.parquet_file import RecordingFile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

_GAP_WHY: Final = "the file has no rows there"


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """What the file does not say: theirs-to-ours `mapping` of columns, the run card, the sign of current.

    `interval_s` gives evenly spaced rows, in place of a column of times. `calibrated` is what the bench file
    knows of the logger that wrote the file.
    """

    mapping: Mapping[str, str] = field(default_factory=dict)
    card: RunCard = field(default_factory=RunCard)
    discharge_negative: bool = False
    interval_s: float | None = None
    calibrated: CalibratedLogger = field(default_factory=CalibratedLogger)


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import made: the recording, its rows, and the headers of the file that were left out."""

    recording: Path
    samples: int
    left_out: tuple[str, ...]
    remarks: tuple[str, ...] = ()


def import_csv(
    source: Path,
    target: Path,
    options: ImportOptions,
    progress: Callable[[int, int], None] = lambda _d, _t: None,
) -> Imported:
    """Make the recording `target` of the CSV file `source`; `progress` is told rows done and all of them.

    Raises InputError, which says what is wrong with the file and in which row, and DiskFull.
    """
    dialect = find_dialect(source)
    header = read_header(dialect.headers, options.mapping, str(source))
    table = _Table(source, dialect, header, options)
    steps, columns = table.survey(progress)
    steps.interval_s()
    if not columns:
        raise InputError(
            f"has no column that is known: {', '.join(map(repr, dialect.headers[:12]))}",
            str(source),
            "Name them with --map, such as --map 'I load=current_a' --map 'U pack=voltage_v'.",
        )
    writing = _Writing(target, table, steps, columns, source.name)
    writing.run(progress)
    return Imported(target, writing.rows, header.left_out, tuple(table.remarks))


class _Table:
    """The rows of the file as times and readings in our units."""

    def __init__(self, source: Path, dialect: Dialect, header: Header, options: ImportOptions) -> None:
        self.header = header
        self.options = options
        self.remarks: list[str] = []
        self._rows = CsvRows(source, dialect)
        place = header.time
        if place is None and options.interval_s is None:
            raise InputError(
                "has no column of times",
                str(source),
                "Name it with --map 'theirs=t_s', or give --interval SECONDS for evenly spaced rows.",
            )
        self.time = None
        if options.interval_s is None and place is not None:
            self.time = TimeColumn(header.taken[place], place, str(source))
        self._path = str(source)
        self.calibrations = options.calibrated.calibrations
        self.sources = {place: column for place, column in header.taken.items() if column.column != TIME}

    def batches(self) -> Iterator[tuple[int, Floats, dict[str, Floats]]]:
        """Yield, batch by batch, the rows before it, its times in seconds, and its columns in our units."""
        places = [*self.sources] if self.time is None else [self.time.place, *self.sources]
        for before, texts in self._rows.batches(places):
            count = len(next(iter(texts.values()))) if texts else 0
            if self.time is None:
                seconds = np.arange(before, before + count, dtype=np.float64) * (
                    self.options.interval_s or 0.0
                )
            else:
                seconds = self.time.seconds(self._rows, texts[self.time.place], before)
            columns = {
                self.target(column): self._in_our_unit(
                    column, self._rows.numbers(texts[place], place=place, rows_before=before)
                )
                for place, column in self.sources.items()
            }
            yield before, seconds, columns

    def survey(self, progress: Callable[[int, int], None]) -> tuple[Steps, dict[str, ColumnSurvey]]:
        """Read the whole file once; return the steps of its rows and what each column with readings holds."""
        steps = Steps(self._path)
        columns = {self.target(source): ColumnSurvey() for source in self.sources.values()}
        for before, seconds, readings in self.batches():
            steps.feed(seconds)
            for name, values in readings.items():
                columns[name].feed(values, before)
            progress(steps.rows, 0)
        if self._rows.cut_short:
            self.remarks.append("the last row was cut short and is left out")
        return steps, {name: column for name, column in columns.items() if column.readings}

    def target(self, source: SourceColumn) -> str:
        """Return the column that a column of the file becomes, calibrated."""
        known = self.calibrations.get(source.column)
        return source.column if known is None else known.target

    def _in_our_unit(self, source: SourceColumn, values: Floats) -> Floats:
        if source.factor != 1.0 or source.offset != 0.0:
            values = np.asarray(values * source.factor + source.offset)
        if self.options.discharge_negative and source.column == "current_a":
            values = -values
        known = self.calibrations.get(source.column)
        return values if known is None else known.law.of(values)


class _Writing:
    """Writes the rows of a table as a recording, and its document."""

    def __init__(
        self, target: Path, table: _Table, steps: Steps, columns: Mapping[str, ColumnSurvey], name: str
    ) -> None:
        self.rows = 0
        self._target, self._table, self._steps, self._columns = target, table, steps, columns
        self._name = name
        self._interval_s = table.options.interval_s or steps.interval_s()
        self._longest_s = steps.longest_step_s()
        # the slowest column decides where the indices begin, so that its readings fall on multiples of it
        slowest = max(columns.values(), key=lambda column: column.divisor)
        self._next_index = (-slowest.phase) % slowest.divisor
        self._segment = 0
        self._shift_s = 0.0
        self._last_s: float | None = None
        self._stretches: list[list[int]] = []
        self._gaps: list[dict[str, Any]] = []
        self._clipped = ClippedRanges()
        self._ends = {
            name: end for name, survey in columns.items() if (end := range_end(name, survey)) is not None
        }

    def run(self, progress: Callable[[int, int], None]) -> None:
        """Write all rows and seal the recording; nothing is left of one that could not be finished."""
        try:
            file = RecordingFile(self._target, dict.fromkeys(self._columns, np.float64))
        except OSError as error:
            raise _cannot_write(self._target, error) from error
        try:
            for _, seconds, columns in self._table.batches():
                for block in self._blocks(seconds, columns):
                    file.append(block)
                    self._note(block)
                progress(self.rows, self._steps.rows)
            file.seal(self._document())
        except OSError as error:
            file.abandon()
            raise _cannot_write(self._target, error) from error
        except BaseException:
            file.abandon()
            raise

    def _blocks(self, seconds: Floats, columns: Mapping[str, Floats]) -> Iterator[SampleBlock]:
        """Yield a batch as blocks that reach across neither hole nor restart."""
        whole = seconds if self._last_s is None else np.concatenate([[self._last_s], seconds])
        breaks = np.flatnonzero((np.diff(whole) > self._longest_s) | (np.diff(whole) <= 0))
        breaks = breaks + (1 if self._last_s is None else 0)
        for start, stop in zip([0, *breaks.tolist()], [*breaks.tolist(), len(seconds)], strict=True):
            if start == stop:
                continue
            quality = np.zeros(stop - start, np.uint32)
            if self._last_s is not None and start in breaks:
                quality[0] = self._jump(float(seconds[start]))
            ticks = np.rint((seconds[start:stop] + self._shift_s) * 1e6).astype(np.int64)
            readings = {name: columns[name][start:stop] for name in self._columns}
            clipped = {name: end.reached(readings[name]) for name, end in self._ends.items()}
            for rows in clipped.values():
                quality[rows] |= np.uint32(Quality.CLIPPED)
            yield SampleBlock(self._segment, self._next_index, ticks, readings, quality, clipped)
            self._next_index += stop - start
            self._last_s = float(seconds[stop - 1])

    def _jump(self, at_s: float) -> int:
        """Go over a hole or a restart to the row at `at_s`; return the quality of the row behind it."""
        last_s = self._last_s or 0.0
        if at_s <= last_s:
            self._segment += 1
            self._shift_s += last_s + self._interval_s - at_s
            self._next_index = 0
            return int(Quality.AFTER_RESTART)
        lost = max(1, round((at_s - last_s) / self._interval_s) - 1)
        self._gaps.append(
            {
                "segment": self._segment,
                "first_index": self._next_index,
                "end_index": self._next_index + lost,
                "start_s": last_s + self._shift_s,
                "end_s": at_s + self._shift_s,
                "why": _GAP_WHY,
            }
        )
        self._next_index += lost
        return int(Quality.AFTER_GAP)

    def _note(self, block: SampleBlock) -> None:
        self.rows += len(block)
        self._clipped.feed(block)
        last = self._stretches[-1] if self._stretches else None
        if last is not None and last[0] == block.segment and last[1] + last[2] == block.first_index:
            last[2] += len(block)
        else:
            self._stretches.append([block.segment, block.first_index, len(block)])

    def _document(self) -> dict[str, Any]:
        begun = (self._table.time.begun if self._table.time else None) or datetime.now(UTC)
        rig = self._table.options.calibrated.rig
        lost = sum(gap["end_index"] - gap["first_index"] for gap in self._gaps)
        return {
            "format": DOCUMENT_FORMAT,
            "software": {"name": "sagline", "version": software_version()},
            "opened": begun.isoformat(),
            "opened_ns": round(begun.timestamp() * 1e9),
            "run_card": self._table.options.card.as_json(),
            "logger": {
                "address": f"import:{self._name}",
                "name": "",
                "firmware": "",
                "interval_ns": round(self._interval_s * 1e9),
                "ring_samples": 0,
                "protocol_version": 0,
            },
            "channels": [
                self._channel(source)
                for source in self._table.sources.values()
                if self._table.target(source) in self._columns
            ],
            "calibrations": [
                self._table.calibrations[source.column].as_json()
                for source in self._table.sources.values()
                if source.column in self._table.calibrations
            ],
            "calibrated_as": self._table.options.calibrated.name or None,
            "rig": None if rig is None else rig.as_json(),
            "first_tick_us": 0,
            "clock": None,
            "stretches": self._stretches,
            "segments": [],
            "gaps": self._gaps,
            "marks": [],
            "notes": [],
            "readings": [],
            "zeros_before": {},
            "zeros": [],
            "links": [],
            "clipped": self._clipped.ranges,
            "samples": self.rows,
            "recovered_samples": 0,
            "lost_samples": lost,
            "rejected_frames": 0,
            "repeated_frames": 0,
            "ended": f"imported from {self._name}, to its end",
            "interrupted": False,
            "imported": {
                "file": self._name,
                "begun_is_known": self._table.time is not None and self._table.time.begun is not None,
            },
        }

    def _channel(self, source: SourceColumn) -> dict[str, Any]:
        """Return a row of the channel table; what only a logger could tell is unknown."""
        column = self._table.target(source)
        survey = self._columns[column]
        return {
            "column": column,
            "quantity": column.rpartition("_")[0] or column,
            "unit": unit_of(column) or source.unit,
            "wire_type": "text",
            "divisor": survey.divisor,
            "scale": repr(survey.resolution),
            "offset": "0",
            "range_low": repr(survey.lowest),
            "range_high": repr(survey.highest),
            "statistic": "unknown",
            "window_us": 0,
            "bandwidth_hz": "0",
            "delay_us": 0,
            "sensed_at": "",
            "header": source.header,
        }


def _cannot_write(path: Path, error: OSError) -> DiskFull:
    return DiskFull(
        f"cannot be written ({error.strerror})", str(path), "Make room or choose another file with -o."
    )
