"""The shelf: what the recordings in a folder say of themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.errors import RecordingDamaged, StorageError
from capture.run_card import RunCard
from capture.storage.naming import RECORDING_ENDING
from capture.storage.recording import open_recording

if TYPE_CHECKING:
    from pathlib import Path

    from capture.storage.recording import Recording


@dataclass(frozen=True, slots=True)
class ShelvedRecording:
    """One recording on the shelf: when it began (ISO 8601, UTC), its run card, how long it is."""

    path: Path
    started: str
    card: RunCard
    duration_s: float
    samples: int
    lost_samples: int
    interrupted: bool


def recordings_in(folder: Path) -> tuple[list[ShelvedRecording], list[StorageError]]:
    """Return the recordings in `folder`, newest first, and why others could not be read.

    Only their documents are read, not their samples. A folder that is not there holds none.
    """
    shelved: list[ShelvedRecording] = []
    unreadable: list[StorageError] = []
    for path in sorted(folder.glob(f"*{RECORDING_ENDING}")):
        try:
            shelved.append(_shelved(open_recording(path)))
        except StorageError as error:
            unreadable.append(error)
        except OverflowError:
            unreadable.append(
                RecordingDamaged(
                    "tells of a length beyond all measure", str(path), "Take another copy of it."
                )
            )
    return sorted(shelved, key=lambda one: (one.started, one.path.name), reverse=True), unreadable


def _shelved(recording: Recording) -> ShelvedRecording:
    document = recording.document
    return ShelvedRecording(
        recording.path,
        document["opened"],
        RunCard.from_json(document["run_card"]),
        recording.span_s,
        recording.rows,
        document["lost_samples"],
        document["interrupted"],
    )
