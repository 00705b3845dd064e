"""A recording with a mended constant: a new file beside the old one, which stays as it is.

The old law is undone and the new one done: for a line that is reading x scale' / scale, and the offset's
share. A channel that was zeroed in the run stays zeroed: there only the scale of a line acts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from capture.blocks import SampleBlock
from capture.calibration.laws import Line, Thermistor
from capture.calibration.mending import (
    Mended,
    NewConstants,
    calibration_in,
    entry_in,
    mended,
    mended_rig,
)
from capture.decoding import Zeros
from capture.errors import DiskFull, InputError
from capture.storage.parquet_file import RecordingFile

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    import numpy.typing as npt

    from capture.storage.recording import Recording

    Floats = npt.NDArray[np.float64]

__all__ = ["NewConstants", "recalibrate", "recalibrate_rig"]


def recalibrate(
    recording: Recording,
    constants: NewConstants,
    target: Path,
    progress: Callable[[int], None] = lambda _rows: None,
    tell: Callable[[str], None] = lambda _line: None,
) -> Path:
    """Make the recording `target` with the constants mended; return its path.

    The constants before and after are named in its document (`recalibrated`), and of which file it is; `tell`
    is given a line for what the new file cannot hold. Raises InputError for a column or a constant that is
    not there, one that makes no law, or a target that is; DiskFull where it cannot be written.
    """
    change = _change(recording, constants)
    mending = _Mending(change, _zeros(recording.document))
    divisor = recording.divisors[constants.column]

    def mend(block: SampleBlock) -> SampleBlock:
        index = np.arange(block.first_index, block.end_index)
        column = mending.of(block.columns[constants.column], block.segment, index, divisor)
        return _with(block, constants.column, column)

    document = _mended_document(recording, change, mending)
    made = _write(recording, target, document, mend, progress)
    for line in mending.lines():
        tell(line)
    return made


def recalibrate_rig(
    recording: Recording,
    constants: Mapping[str, Any],
    target: Path,
    progress: Callable[[int], None] = lambda _rows: None,
    *,
    date: str | None = None,
    reference: str | None = None,
) -> Path:
    """Make the recording `target` with constants of its rig mended; return its path.

    They are named as in the bench file. No sample changes: of the rig only its resistance counts, in the
    energy beyond it. Raises as `recalibrate`.
    """
    told = recording.document.get("rig")
    try:
        rig, old = mended_rig(told, constants)
    except ValueError as error:
        raise InputError(f"its rig: {error}", str(recording.path), "Nothing was written.") from error
    item = {"column": None, "from": old, "to": dict(rig.constants), "of": recording.path.name}
    document = {
        **recording.document,
        "rig": {**rig.as_json(), "date": date, "reference": reference, "replaces": told},
        "recalibrated": [*recording.document.get("recalibrated", []), item],
    }
    return _write(recording, target, document, lambda block: block, progress)


def _write(
    recording: Recording,
    target: Path,
    document: dict[str, Any],
    mend: Callable[[SampleBlock], SampleBlock],
    progress: Callable[[int], None],
) -> Path:
    """Write the samples of a recording, mended, with another document; nothing is left of what fails."""
    if target.exists():
        raise InputError("is there already", str(target), "Give another name with -o.")
    try:
        file = RecordingFile(target, _types(recording))
    except OSError as error:
        raise _cannot_write(target, error) from error
    rows = 0
    try:
        for block in recording.blocks():
            file.append(mend(block))
            rows += len(block)
            progress(rows)
        return file.seal(document)
    except OSError as error:
        file.abandon()
        raise _cannot_write(target, error) from error
    except BaseException:
        file.abandon()
        raise


class _Mending:
    """Makes the readings of one column what they would have been; counts those that cannot be had."""

    def __init__(self, change: Mended, zeros: Zeros) -> None:
        self._change, self._zeros = change, zeros
        self._ratio = _ratio(change)
        self._missing = self._lost = 0

    def of(
        self, column: npt.NDArray[Any], segment: int, index: npt.NDArray[np.int64], divisor: int
    ) -> npt.NDArray[Any]:
        """Return the readings (n) with the new law, NaN where there is none."""
        zeros = np.broadcast_to(
            np.asarray(self._zeros.at(self._change.before.target, segment, index)), index.shape
        )
        readings = column.astype(np.float64)
        with np.errstate(over="ignore", invalid="ignore"):
            made = self._with_law(readings, zeros).astype(column.dtype)
        made[~np.isfinite(made)] = np.nan
        absent = np.isnan(column)
        self._missing += int((absent & (index % divisor == 0)).sum())
        self._lost += int((np.isnan(made) & ~absent).sum())
        return made

    def zero(self, offset: float) -> float:
        """Return a zero of the column as it stands in the new unit."""
        if self._ratio is not None:
            return offset * self._ratio
        at = self._change.before.law.given_at(np.array([offset]))
        zero = float(self._change.after.law.of(at)[0])
        return zero if np.isfinite(zero) else offset

    def lines(self) -> list[str]:
        """Return, in words, what could not be had."""
        column = self._change.before.target
        told = []
        if self._missing and isinstance(self._change.before.law, Thermistor):
            told.append(
                f"{self._missing} readings of {column} were missing and stay so: the old constants made no "
                "temperature of them"
            )
        if self._lost:
            told.append(
                f"{self._lost} readings of {column} are missing now: the new constants make none of them"
            )
        return told

    def _with_law(self, readings: Floats, zeros: Floats) -> Floats:
        before, after = self._change.before.law, self._change.after.law
        if self._ratio is not None:
            return np.where(zeros != 0, readings * self._ratio, after.of(before.given_at(readings)))
        offsets, which = np.unique(zeros, return_inverse=True)
        mended_zeros = np.array([self.zero(float(one)) if one else 0.0 for one in offsets])[which]
        return np.asarray(after.of(before.given_at(readings + zeros)) - mended_zeros)


def _change(recording: Recording, constants: NewConstants) -> Mended:
    where, column = str(recording.path), constants.column
    if column not in recording.columns:
        raise InputError(
            f"has no channel {column!r}", where, f"It has: {', '.join(recording.columns)} (--channel)."
        )
    try:
        return mended(calibration_in(recording.document, column), constants)
    except (KeyError, TypeError) as error:
        raise InputError(
            f"does not tell how {column} was calibrated", where, "Record or import anew."
        ) from error
    except ValueError as error:
        raise InputError(f"{column} {error}", where, "Nothing was written.") from error


def _types(recording: Recording) -> dict[str, type[np.float32 | np.float64]]:
    """Return the number type of each column, as its first samples have it."""
    for block in recording.blocks():
        return {name: readings.dtype.type for name, readings in block.columns.items()}
    return dict.fromkeys(recording.columns, np.float32)


def _cannot_write(target: Path, error: OSError) -> DiskFull:
    return DiskFull(
        f"cannot be written ({error.strerror})", str(target), "Make room or give another name with -o."
    )


def _with(block: SampleBlock, column: str, readings: Any) -> SampleBlock:
    return SampleBlock(
        block.segment, block.first_index, block.ticks_us, {**block.columns, column: readings}, block.quality
    )


def _zeros(document: dict[str, Any]) -> Zeros:
    """Return the zeros of a recording as its decoder had them."""
    zeros = Zeros()
    for column, offset in document.get("zeros_before", {}).items():
        zeros.set(column, offset, 0, 0)
    for entry in document.get("zeros", []):
        zeros.set(entry["column"], entry["offset"], entry.get("segment") or 0, entry.get("index") or 0)
    return zeros


def _mended_document(recording: Recording, change: Mended, mending: _Mending) -> dict[str, Any]:
    document, column = recording.document, change.before.target
    others = [other for other in document.get("calibrations", []) if other["column"] != column]
    entry = {**change.after.as_json(), "replaces": entry_in(document, column)}
    return {
        **document,
        "channels": [
            _channel(channel, change) if channel["column"] == column else channel
            for channel in document["channels"]
        ],
        "calibrations": [*others, entry],
        "zeros_before": {
            name: mending.zero(offset) if name == column else offset
            for name, offset in document.get("zeros_before", {}).items()
        },
        "zeros": [
            {**zero, "offset": mending.zero(zero["offset"])} if zero["column"] == column else zero
            for zero in document.get("zeros", [])
        ],
        "recalibrated": [
            *document.get("recalibrated", []),
            {"column": column, "from": change.old, "to": change.new, "of": recording.path.name},
        ],
    }


def _ratio(change: Mended) -> float | None:
    """Return the new scale over the old one; None where the laws are no lines."""
    before, after = change.before.law, change.after.law
    return after.scale / before.scale if isinstance(before, Line) and isinstance(after, Line) else None


def _channel(channel: dict[str, Any], change: Mended) -> dict[str, Any]:
    """Return a row of the channel table; that of an imported file tells of the calibrated column."""
    ratio = _ratio(change)
    if channel.get("wire_type") != "text" or ratio is None:
        return channel
    mended_channel = {**channel, "scale": repr(float(channel["scale"]) * abs(ratio))}
    try:
        ends = np.array([float(channel["range_low"]), float(channel["range_high"])])
    except ValueError:  # the first versions wrote `np.float64(...)`
        return mended_channel
    low, high = np.sort(change.after.law.of(change.before.law.given_at(ends))).tolist()
    return {**mended_channel, "range_low": repr(low), "range_high": repr(high)}
