"""Rows of many sample messages to calibrated arrays at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from capture.blocks import Quality, SampleBlock
from capture.errors import LoggerRefused
from capture.quantities import column_name
from firmware_protocol.layout import RowLayout
from firmware_protocol.wire import MISSING_CODE, WIRE_TYPE_BYTES, WireType

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy.typing as npt

    from capture.calibration.channel import Calibration
    from firmware_protocol.messages import Channel, Samples

_RAW_DTYPE: Final = {
    WireType.I16: "<i2",
    WireType.U16: "<u2",
    WireType.I24: "<i4",  # widened by one byte before viewing
    WireType.I32: "<i4",
    WireType.U32: "<u4",
    WireType.F32: "<f4",
}
_BEYOND_24_BITS: Final = {WireType.I32, WireType.U32}


@dataclass(frozen=True)
class ColumnDecoder:
    """Turns the raw bytes of one channel into readings in its unit."""

    column: str
    calibration: Calibration | None
    wire_type: WireType
    divisor: int
    scale: float
    offset: float
    lowest: float  # at or below: clipped
    highest: float  # at or above: clipped

    @classmethod
    def of(cls, channel: Channel, column: str, calibration: Calibration | None = None) -> ColumnDecoder:
        """Return the decoder that `channel` describes, half a count inside its range, and calibrated."""
        half_count = abs(float(channel.scale)) / 2
        return cls(
            column if calibration is None else calibration.target,
            calibration,
            channel.wire_type,
            channel.divisor,
            float(channel.scale),
            float(channel.offset),
            float(channel.range_low) + half_count,
            float(channel.range_high) - half_count,
        )

    @property
    def dtype(self) -> type[np.float32 | np.float64]:
        """float32, which holds 24 bits exactly, or float64 where counts have more."""
        return np.float64 if self.wire_type in _BEYOND_24_BITS else np.float32

    @property
    def step(self) -> float:
        """One count in the unit of the column; 0 where the logger sends no counts."""
        if self.wire_type is WireType.F32:
            return 0.0
        sensitivity = 1.0 if self.calibration is None else self.calibration.law.sensitivity
        return abs(self.scale) * sensitivity

    def readings(
        self, raw: npt.NDArray[np.uint8], zeros: npt.NDArray[np.float64] | float
    ) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_]]:
        """Return the readings of raw bytes (n, size) and which of them are clipped; NaN for no reading.

        Calibrated first; then `zeros`, in the unit of the column, is taken from each reading. Whether a
        channel clips is a matter of its counts alone.
        """
        if self.wire_type is WireType.I24:
            sign = np.where(raw[:, 2:] & 0x80, 0xFF, 0).astype(np.uint8)
            raw = np.concatenate([raw, sign], axis=1)
        counts = np.ascontiguousarray(raw).view(_RAW_DTYPE[self.wire_type])[:, 0]
        with np.errstate(invalid="ignore", over="ignore"):
            exact = counts.astype(np.float64) * self.scale + self.offset
            if self.wire_type is WireType.F32:
                exact[~np.isfinite(counts)] = np.nan
            else:
                exact[counts == MISSING_CODE[self.wire_type]] = np.nan
            clipped = (exact <= self.lowest) | (exact >= self.highest)
            calibrated = exact if self.calibration is None else self.calibration.law.of(exact)
            readings = (calibrated - zeros).astype(self.dtype)
        readings[np.isinf(readings)] = np.nan
        return readings, clipped


class Zeros:
    """The zeros of each column: from a sample on, an offset is taken from its readings."""

    def __init__(self) -> None:
        self._steps: dict[str, list[tuple[int, int, float]]] = {}

    def set(self, column: str, offset: float, segment: int, index: int) -> None:
        """Take `offset` from the readings of `column` from the sample `index` of `segment` on."""
        self._steps.setdefault(column, []).append((segment, index, offset))

    def present(self) -> dict[str, float]:
        """Return the latest offset of each column that has one."""
        return {column: steps[-1][2] for column, steps in self._steps.items()}

    def at(self, column: str, segment: int, index: npt.NDArray[np.int64]) -> npt.NDArray[np.float64] | float:
        """Return the offset of `column` at each sample of `segment`."""
        steps = self._steps.get(column)
        if steps is None:
            return 0.0
        offsets = np.zeros(len(index))
        for from_segment, from_index, offset in steps:
            if from_segment < segment:
                offsets[:] = offset
            elif from_segment == segment:
                offsets[index >= from_index] = offset
        return offsets


class BlockDecoder:
    """Decodes sample messages of one logger; `columns` are its column names in order."""

    def __init__(
        self,
        channels: Sequence[Channel],
        interval_ns: int,
        where: str,
        calibrations: Mapping[str, Calibration] | None = None,
    ) -> None:
        known = calibrations or {}
        self.layout = RowLayout.of(channels)
        self.interval_ns = interval_ns
        names = [_column(channel, where) for channel in channels]
        self._columns = [
            ColumnDecoder.of(channel, name, known.get(name))
            for channel, name in zip(channels, names, strict=True)
        ]
        self.columns = {decoder.column: decoder.dtype for decoder in self._columns}
        self.zeros = Zeros()
        if len(self.columns) < len(self._columns):
            raise LoggerRefused(
                "two channels of the logger have the same quantity and unit",
                where,
                "Give each channel of the logger a quantity of its own, such as group_1 and group_2, or mend "
                "`becomes` in the bench file.",
            )

    @property
    def divisors(self) -> dict[str, int]:
        """Every how many samples each column has a reading."""
        return {decoder.column: decoder.divisor for decoder in self._columns}

    @property
    def steps(self) -> dict[str, float]:
        """One count of each column in its unit; 0 where the logger sends no counts."""
        return {decoder.column: decoder.step for decoder in self._columns}

    @property
    def periods_us(self) -> dict[str, int]:
        """How far apart the readings of each column are."""
        return {column: divisor * self.interval_ns // 1000 for column, divisor in self.divisors.items()}

    def fits(self, frame: Samples, first_index: int) -> bool:
        """Return whether the rows of `frame` have the length that the channels ask for."""
        return len(frame.rows) == self.layout.rows_bytes(first_index, frame.count)

    def decode(self, segment: int, first_index: int, frames: list[tuple[Samples, int]]) -> SampleBlock:
        """Return frames that follow one another as one block.

        `frames` pairs each message with the tick of its first row; its other rows are one interval apart
        each.
        """
        counts = np.array([frame.count for frame, _ in frames])
        total = int(counts.sum())
        starts = np.repeat(np.cumsum(counts) - counts, counts)
        steps = (np.arange(total) - starts) * self.interval_ns
        ticks = (
            np.repeat(np.array([tick for _, tick in frames], dtype=np.int64), counts) + (steps + 500) // 1000
        )
        rows = np.frombuffer(b"".join(frame.rows for frame, _ in frames), dtype=np.uint8)
        columns, clipped = self._decode_rows(rows, segment, np.arange(first_index, first_index + total))
        quality = np.zeros(total, dtype=np.uint32)
        for at_end in clipped.values():
            quality[at_end] = Quality.CLIPPED
        return SampleBlock(segment, first_index, ticks, columns, quality, clipped)

    def _decode_rows(
        self, rows: npt.NDArray[np.uint8], segment: int, index: npt.NDArray[np.int64]
    ) -> tuple[dict[str, npt.NDArray[Any]], dict[str, npt.NDArray[np.bool_]]]:
        """Return the columns and, of those that clip, where; a channel lies only in rows it divides."""
        sizes = [WIRE_TYPE_BYTES[decoder.wire_type] for decoder in self._columns]
        due = [index % decoder.divisor == 0 for decoder in self._columns]
        row_sizes = np.sum([present * size for present, size in zip(due, sizes, strict=True)], axis=0)
        position = np.cumsum(row_sizes) - row_sizes  # of the next channel within each row
        clipped: dict[str, npt.NDArray[np.bool_]] = {}
        columns: dict[str, npt.NDArray[Any]] = {}
        for decoder, present, size in zip(self._columns, due, sizes, strict=True):
            raw = rows[position[present][:, None] + np.arange(size)]
            zeros = self.zeros.at(decoder.column, segment, index[present])
            readings, at_end = decoder.readings(raw, zeros)
            column = np.full(len(index), np.nan, dtype=decoder.dtype)
            column[present] = readings
            columns[decoder.column] = column
            if at_end.any():
                clipped[decoder.column] = np.zeros(len(index), dtype=bool)
                clipped[decoder.column][present] = at_end
            position = position + present * size
        return columns, clipped


def _column(channel: Channel, where: str) -> str:
    name = column_name(channel.quantity, channel.unit)
    if name is None:
        raise LoggerRefused(
            f"its channel {channel.quantity} has the unit {channel.unit!r}, which is not in the list",
            where,
            "Use one of the unit symbols in the protocol's SPEC.md.",
        )
    return name
