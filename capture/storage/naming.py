"""Names of recordings: when the run began and which pack it was, safe on every file system."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from capture.errors import DiskFull

if TYPE_CHECKING:
    from capture.run_card import RunCard

DEFAULT_FOLDER: Final = Path("recordings")
RECORDING_ENDING: Final = ".parquet"
JOURNAL_ENDING: Final = ".journal"
PARTIAL_ENDING: Final = ".partial"
AMENDMENTS_ENDING: Final = ".amendments.json"
_LONGEST_WORD: Final = 32


def journal_of(recording: Path) -> Path:
    """Return the path of the journal that belongs to `recording`."""
    return recording.with_name(recording.name.removesuffix(RECORDING_ENDING) + JOURNAL_ENDING)


def recording_of(journal: Path) -> Path:
    """Return the path of the recording that belongs to `journal`."""
    return journal.with_name(journal.name.removesuffix(JOURNAL_ENDING) + RECORDING_ENDING)


def amendments_of(recording: Path) -> Path:
    """Return the path of the amendments that belong to `recording`."""
    return recording.with_name(recording.name.removesuffix(RECORDING_ENDING) + AMENDMENTS_ENDING)


def partial_of(recording: Path) -> Path:
    """Return the path under which `recording` is written until it is whole."""
    return recording.with_name(recording.name + PARTIAL_ENDING)


def journals_in(folder: Path) -> list[Path]:
    """Return the journals in `folder`, oldest name first: of runs that were interrupted, or that go on."""
    return sorted(folder.glob(f"*{JOURNAL_ENDING}"))


def safe_word(text: str) -> str:
    """Return `text` as a word for a file name: lower-case letters, digits and hyphens, or nothing."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_WORD]


def new_recording(folder: Path, card: RunCard, opened_ns: int, name: str | None = None) -> Path:
    """Return a path in `folder` (made if missing) that no recording, journal or partial file has.

    Without a `name` it is called after its beginning and its pack.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DiskFull(
            f"cannot be made a folder for recordings ({error.strerror})",
            str(folder),
            "Choose another one with --out.",
        ) from error
    begun = datetime.fromtimestamp(opened_ns * 1e-9).astimezone().strftime("%Y-%m-%d_%H%M%S")
    stem = safe_word(name or "") or "_".join(filter(None, [begun, safe_word(card.pack or "")]))
    for attempt in range(1, 1000):
        path = folder / ((stem if attempt == 1 else f"{stem}_{attempt}") + RECORDING_ENDING)
        taken = (path, partial_of(path), journal_of(path))
        if not any(other.exists() for other in taken):
            return path
    raise DiskFull("has a thousand recordings of this name", str(folder), "Choose another folder.")
