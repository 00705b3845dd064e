"""What the screens need of a session. They know nothing else of links, threads and files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from capture.engine.snapshot import Snapshot
    from capture.events import TypedReading
    from capture.run_card import RunCard


class SessionControls(Protocol):
    """A logger that is watched and recorded; every method but `close` returns at once."""

    def open(self) -> None:
        """Begin to connect; the snapshots tell how it goes. Called by whoever made the session, once."""

    def snapshot(self) -> Snapshot:
        """Return the newest moment. Cheap, and safe from any thread."""

    def start_recording(self) -> None:
        """Begin a recording."""

    def stop_recording(self) -> None:
        """End the recording; the snapshots go from SAVING to SAVED."""

    def mark(self, text: str = "") -> None:
        """Note this moment in the recording."""

    def note(self, text: str) -> None:
        """Write something about the run as a whole into the recording."""

    def reading(self, reading: TypedReading) -> None:
        """Note what a gauge showed at this moment in the recording."""

    def zero(self, column: str) -> None:
        """Take the present reading of a channel for its zero."""

    def arm(self, *, armed: bool) -> None:
        """Let the next load start a recording by itself, or not."""

    def use_card(self, card: RunCard) -> None:
        """Take `card` for the recordings that begin from now on."""

    def close(self) -> None:
        """Seal the recording and let go of the link; returns when both are done, seconds later at most."""
