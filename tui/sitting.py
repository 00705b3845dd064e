"""A sitting at the bench: the session that is open, and what became of every recording since the start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.engine.snapshot import LinkState, RecordingState

if TYPE_CHECKING:
    from pathlib import Path

    from capture.engine.snapshot import RecordingStatus, Snapshot
    from tui.session_controls import SessionControls


class Sitting:
    """One session at a time, and the newest word on each recording, in the order in which they began.

    `note` is to be called several times a second while a session is open.
    """

    def __init__(self, session: SessionControls | None = None) -> None:
        self.session = session
        self._recordings: dict[Path, RecordingStatus] = {}

    @property
    def last_snapshot(self) -> Snapshot | None:
        """The newest snapshot of the session there is, closed or not."""
        return None if self.session is None else self.session.snapshot()

    @property
    def failure(self) -> str:
        """Why the session there is has lost its logger, or never reached it; empty where it has not."""
        last = self.last_snapshot
        failed = last is not None and last.link.state in {LinkState.LOST, LinkState.FAILED}
        return last.link.message if last is not None and failed else ""

    @property
    def saved(self) -> list[RecordingStatus]:
        """The recordings that are whole; of one that was followed at once by the next, its file tells it."""
        return [
            one
            for path, one in self._recordings.items()
            if one.state is RecordingState.SAVED or path.exists()
        ]

    @property
    def interrupted(self) -> list[RecordingStatus]:
        """The recordings that could not be written to their end and have not been finished since."""
        return [
            one
            for path, one in self._recordings.items()
            if one.state is RecordingState.INTERRUPTED and not path.exists()
        ]

    def note(self) -> None:
        """Take what the newest snapshot says of its recording."""
        last = self.last_snapshot
        if last is not None and last.recording.path is not None:
            self._recordings[last.recording.path] = last.recording

    def close(self) -> None:
        """Seal the recording of the session there is and let go of its link; may take seconds."""
        if self.session is not None:
            try:
                self.session.close()
            finally:
                self.note()

    def take_leave(self) -> str:
        """Forget the session, which is closed; return what became of it in a line."""
        last, failure = self.last_snapshot, self.failure
        self.session = None
        if last is None or failure:
            return failure
        recording = last.recording
        match recording.state:
            case RecordingState.SAVED:
                name = "the recording" if recording.path is None else recording.path.name
                return f"Saved {name}: {recording.samples} samples."
            case RecordingState.INTERRUPTED:
                return recording.message
            case _:
                return "The logger was let go."
