"""What the commands share that read one recording: their arguments, and the reading with a bar."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tui.output import ProgressLine

if TYPE_CHECKING:
    import argparse

    from capture.summary import Summary


def add_recording_argument(parser: argparse.ArgumentParser) -> None:
    """Add the recording, and the choice of JSON."""
    parser.add_argument("recording", type=Path, metavar="REC", help="a recording (.parquet)")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def read_summary(path: Path) -> Summary:
    """Return the figures of a recording; raises StorageError."""
    from capture.storage.recording import open_recording
    from capture.summary import summarise

    recording = open_recording(path)
    progress = ProgressLine("reading")
    return summarise(recording, lambda rows: progress.update(rows, recording.rows))
