"""Reads a recording in a thread, shows how far it is, and tells the screen when the figures are there."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from textual.containers import Vertical
from textual.message import Message
from textual.widgets import ProgressBar, Static
from textual.worker import get_current_worker

from capture.errors import CaptureError
from tui.formatting import plain

if TYPE_CHECKING:
    from pathlib import Path

    from textual.app import ComposeResult

    from capture.summary import Summary
    from tui.workbench import Workbench

_TELL_EVERY_S: Final = 0.1


class SummaryRead(Message):
    """The figures are there."""

    def __init__(self, summary: Summary) -> None:
        super().__init__()
        self.summary = summary


class RowsRead(Message):
    """So many rows of the recording are read."""

    def __init__(self, rows: int) -> None:
        super().__init__()
        self.rows = rows

    def can_replace(self, message: Message) -> bool:
        """Return whether the newest count makes an older message void."""
        return isinstance(message, RowsRead)


class ReadingFailed(Message):
    """The recording cannot be read; `why` is the line that says so."""

    def __init__(self, why: str) -> None:
        super().__init__()
        self.why = why


class _LeftMeanwhile(Exception):  # noqa: N818  ends the reading of a recording that nobody waits for
    pass


class ReadingProgress(Vertical):
    """A bar with an end where the number of `samples` is known; posts SummaryRead."""

    DEFAULT_CSS = """
    ReadingProgress { height: 1fr; align: center middle; }
    ReadingProgress Bar > .bar--bar { color: $foreground; background: $panel; }
    ReadingProgress Bar > .bar--indeterminate { color: $foreground; background: $panel; }
    ReadingProgress Static { width: auto; max-width: 100%; padding: 0 2; }
    """

    def __init__(self, workbench: Workbench, path: Path, samples: int | None) -> None:
        super().__init__()
        self._workbench = workbench
        self._path = path
        self._samples = samples

    def compose(self) -> ComposeResult:
        """Yield what is read, and how far it is."""
        yield Static(f"Reading {plain(self._path.name)}", id="reading-words", markup=False)
        yield ProgressBar(self._samples, show_eta=False)

    def on_mount(self) -> None:
        """Begin to read."""
        self.run_worker(self._read, thread=True)

    def _read(self) -> None:
        """Read the recording, in a thread of its own; nobody waits for it once the screen is left."""
        worker, told_at = get_current_worker(), 0.0

        def progress(rows: int) -> None:
            nonlocal told_at
            if worker.is_cancelled:
                raise _LeftMeanwhile
            if time.monotonic() - told_at >= _TELL_EVERY_S:
                told_at = time.monotonic()
                self.post_message(RowsRead(rows))

        try:
            summary = self._workbench.read(self._path, progress)
        except _LeftMeanwhile:
            return
        except CaptureError as error:
            self.post_message(ReadingFailed(str(error)))
        else:
            self.post_message(SummaryRead(summary))

    def on_rows_read(self, message: RowsRead) -> None:
        """Show how far it is."""
        self.query_one(ProgressBar).update(progress=message.rows)
        self._say(f"Reading {plain(self._path.name)}: {message.rows:,} samples")

    def on_reading_failed(self, message: ReadingFailed) -> None:
        """Say why there are no figures."""
        self.query_one(ProgressBar).display = False
        self._say(f"! {plain(message.why)}\n\nEscape goes back.")

    def _say(self, words: str) -> None:
        self.query_one("#reading-words", Static).update(words)
