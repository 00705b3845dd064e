"""A recording with a mended constant: a new file beside the old one, which stays as it is.

The constants replace those the recording was made with: reading = scale x what the logger gave + offset. A
channel that was zeroed in the run stays zeroed: there only the scale acts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.blocks import SampleBlock
from capture.decoding import Zeros
from capture.errors import DiskFull, InputError
from capture.storage.parquet_file import RecordingFile

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capture.storage.recording import Recording


@dataclass(frozen=True, slots=True)
class NewConstants:
    """Scale and offset of one column; what is None stays. Uncertainties as `Calibration` has them."""

    column: str
    scale: float | None = None
    offset: float | None = None
    u_scale: float | None = None
    u_offset: float | None = None
    date: str | None = None
    reference: str | None = None


def recalibrate(
    recording: Recording,
    constants: NewConstants,
    target: Path,
    progress: Callable[[int], None] = lambda _rows: None,
) -> Path:
    """Make the recording `target` with the constants mended; return its path.

    Both constants are named in its document (`recalibrated`), and of which file it is. Raises InputError for
    a column that is not there, a scale of 0, a target that is, or a thermistor, which is no straight line;
    DiskFull where it cannot be written.
    """
    document = _mended_document(recording, constants)
    before, after = document["recalibrated"][-1]["from"], document["recalibrated"][-1]["to"]
    if target.exists():
        raise InputError("is there already", str(target), "Give another name with -o.")
    zeros = _zeros(recording.document)
    ratio = after["scale"] / before["scale"]
    shift = after["offset"] - before["offset"] * ratio
    try:
        file = RecordingFile(target, _types(recording))
    except OSError as error:
        raise _cannot_write(target, error) from error
    rows = 0
    try:
        for block in recording.blocks():
            index = np.arange(block.first_index, block.end_index)
            zeroed = np.asarray(zeros.at(constants.column, block.segment, index)) != 0
            column = block.columns[constants.column]
            mended = (column * ratio + np.where(zeroed, 0.0, shift)).astype(column.dtype)
            file.append(_with(block, constants.column, mended))
            rows += len(block)
            progress(rows)
        return file.seal(document)
    except OSError as error:
        file.abandon()
        raise _cannot_write(target, error) from error
    except BaseException:
        file.abandon()
        raise


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


def _mended_document(recording: Recording, constants: NewConstants) -> dict[str, Any]:
    column, where = constants.column, str(recording.path)
    if column not in recording.columns:
        raise InputError(
            f"has no channel {column!r}", where, f"It has: {', '.join(recording.columns)} (--channel)."
        )
    document = recording.document
    known = {entry["column"]: entry for entry in document.get("calibrations", [])}
    entry = known.get(column, {"column": column, "of_column": column, "kind": "gain", "constants": {}})
    if entry.get("thermistor"):
        raise InputError(
            f"has {column!r} from a thermistor, whose law is no scale and offset",
            where,
            "Mend its constants in the bench file, and record or import anew.",
        )
    before = {"scale": float(entry.get("scale", 1.0)), "offset": float(entry.get("offset", 0.0))}
    after = {
        "scale": before["scale"] if constants.scale is None else constants.scale,
        "offset": before["offset"] if constants.offset is None else constants.offset,
    }
    if after["scale"] == 0:
        raise InputError("cannot have a scale of 0", where, "Every reading would be the same (--scale).")
    mended = {
        **entry,
        **after,
        "thermistor": None,
        "u_scale": entry.get("u_scale") if constants.u_scale is None else constants.u_scale,
        "u_offset": entry.get("u_offset") if constants.u_offset is None else constants.u_offset,
        "correlation": 0.0,
        "date": constants.date or entry.get("date"),
        "reference": constants.reference or entry.get("reference"),
    }
    if (mended["u_scale"] is None) != (mended["u_offset"] is None):
        mended["u_scale"], mended["u_offset"] = mended["u_scale"] or 0.0, mended["u_offset"] or 0.0
    ratio = after["scale"] / before["scale"]
    return {
        **document,
        "calibrations": [*(other for other in known.values() if other["column"] != column), mended],
        "zeros_before": _scaled(document.get("zeros_before", {}), column, ratio),
        "zeros": [
            {**zero, "offset": zero["offset"] * ratio} if zero["column"] == column else zero
            for zero in document.get("zeros", [])
        ],
        "recalibrated": [
            *document.get("recalibrated", []),
            {"column": column, "from": before, "to": after, "of": recording.path.name},
        ],
    }


def _scaled(zeros: dict[str, float], column: str, ratio: float) -> dict[str, float]:
    return {name: offset * ratio if name == column else offset for name, offset in zeros.items()}
