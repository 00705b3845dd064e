"""What the screens need beside a session: loggers to choose from, recordings to read, runs to amend."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from capture.errors import StorageError
    from capture.links.finding import FoundLogger
    from capture.resistance import Pulses, Resistance
    from capture.run_card import RunCard
    from capture.storage.amendments import Amendments
    from capture.storage.shelf import ShelvedRecording
    from capture.summary import Summary
    from capture.work import RunWork
    from tui.session_controls import SessionControls


class Workbench(Protocol):
    """Loggers in reach and recordings in a folder. What may take long says so; it is called in a thread."""

    @property
    def folder(self) -> Path:
        """Where recordings go and are looked for."""

    def find_loggers(self) -> Iterator[FoundLogger]:
        """Yield the loggers in reach as they answer; takes seconds."""

    def stop_looking(self) -> None:
        """End a search that is under way, and let go of the ports it asks; returns when that is done."""

    def recover(self, progress: Callable[[int, int], None]) -> list[str]:
        """Finish interrupted recordings; return what became of each in a line. May take long."""

    def recordings(self) -> tuple[list[ShelvedRecording], list[StorageError]]:
        """Return the recordings of the folder, newest first, and why others cannot be read. May take long."""

    def open_logger(self, address: str) -> SessionControls:
        """Return a session with the logger at `address`, opened; raises CaptureError."""

    def open_demo(self) -> SessionControls:
        """Return a session with the virtual logger, opened."""

    def complete(self, card: RunCard) -> RunCard:
        """Return the card with what is known of its pack: its groups, its cut-off, its limits."""

    def read(self, recording: Path, progress: Callable[[int], None]) -> Summary:
        """Return the figures of a recording; `progress` is told the rows done. May take long.

        Raises StorageError.
        """

    def pulses(self, recording: Path) -> Pulses:
        """Return the pulse resistances of a recording's pack. Takes seconds; raises StorageError."""

    def resistance(self, recording: Path) -> Resistance:
        """Return what a recording tells of its pack's resistance. Takes seconds; raises StorageError."""

    def work(self, recording: Path) -> RunWork:
        """Return what a recording tells of the tool's work. Takes seconds; raises StorageError."""

    def amend(self, recording: Path, amendments: Amendments) -> None:
        """Keep what was learnt of a run after it had ended; raises StorageError."""
