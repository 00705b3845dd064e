"""The writer thread of one recording: takes records and blocks from a bounded queue, never the other way.

Records are handed to the operating system as soon as none waits behind them, or 64 KiB are together, and
synced to the disk at least once a second. When the disk cannot follow, the queue fills; the engine then stops
reading, and the logger's buffer absorbs.
"""

from __future__ import annotations

import queue
import shutil
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from capture.blocks import SampleBlock
from capture.errors import DiskFull, StorageError
from capture.storage.journal import JournalWriter, Record
from capture.storage.naming import journal_of
from capture.storage.parquet_file import RecordingFile

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import numpy as np

QUEUE_ITEMS: Final = 2048
ROOM_ITEMS: Final = 64  # a turn of the engine adds a few; one torn into more gaps than this waits in `put`
SYNC_INTERVAL_S: Final = 0.5
FLUSH_BYTES: Final = 1 << 16
_JOURNAL_KEPT: Final = "What was recorded is safe in the journal; finish it with: sagline recover"


@dataclass(frozen=True, slots=True)
class Seal:
    """The last item of a recording: the document to close it with, and the record that says so."""

    record: Record
    document: dict[str, Any]


class Recorder:
    """Writes journal and Parquet file of one recording in a thread of its own."""

    def __init__(self, path: Path, columns: Mapping[str, type[np.float32 | np.float64]]) -> None:
        self.path = path
        self.failure: StorageError | None = None
        self.bytes_per_second = 0.0
        self._queue: queue.Queue[Record | SampleBlock | Seal] = queue.Queue(QUEUE_ITEMS)
        try:
            self._journal = JournalWriter(journal_of(path))
            try:
                self._file = RecordingFile(path, columns)
            except OSError:
                self._journal.remove()
                raise
        except OSError as error:
            raise _cannot_write(path, error) from error
        self._thread = threading.Thread(target=self._work, name="writer", daemon=True)
        self._begun = time.monotonic()
        self._bytes = 0
        self._thread.start()

    @property
    def has_room(self) -> bool:
        """Whether the engine may take one more turn."""
        return self._queue.qsize() < QUEUE_ITEMS - ROOM_ITEMS

    @property
    def waiting_fraction(self) -> float:
        """How full the queue is, 0 to 1."""
        return self._queue.qsize() / QUEUE_ITEMS

    @property
    def finished(self) -> bool:
        """Whether the thread has ended: the recording is sealed, or `failure` says why not."""
        return not self._thread.is_alive()

    def minutes_left(self) -> float | None:
        """Return for how long the disk has room at the present rate, None while that is unknown."""
        if self.bytes_per_second <= 0:
            return None
        try:
            free = shutil.disk_usage(self.path.parent).free
        except OSError:
            return None
        return free / self.bytes_per_second / 60

    def put(self, item: Record | SampleBlock | Seal) -> None:
        """Hand over one item; blocks only where the caller did not ask `has_room` first."""
        if self.failure is None:
            self._queue.put(item)

    def wait(self, timeout_s: float) -> None:
        """Return when the recording is sealed or has failed, or after `timeout_s`."""
        self._thread.join(timeout_s)

    def _work(self) -> None:
        try:
            self._write_until_sealed()
        except OSError as error:
            self._give_up(_cannot_write(self.path, error))
        except StorageError as error:
            self._give_up(error)
        except Exception as error:  # noqa: BLE001  a bug here must end the recording in words, not in silence
            self._give_up(StorageError(f"failed ({error!r})", str(self.path), _JOURNAL_KEPT))

    def _write_until_sealed(self) -> None:
        synced = time.monotonic()
        unflushed = 0
        while True:
            try:
                item = self._queue.get(timeout=SYNC_INTERVAL_S / 2)
            except queue.Empty:
                item = None
            match item:
                case Seal():
                    self._journal.append(item.record)
                    self._journal.sync()
                    self._file.seal(item.document)
                    self._journal.remove()
                    return
                case Record():
                    self._journal.append(item)
                    unflushed += len(item.payload)
                case SampleBlock():
                    self._file.append(item)
            if unflushed >= FLUSH_BYTES or self._queue.empty():
                self._journal.flush()
                self._note_rate(unflushed)
                unflushed = 0
            if time.monotonic() - synced >= SYNC_INTERVAL_S:
                self._journal.sync()
                synced = time.monotonic()

    def _note_rate(self, written: int) -> None:
        self._bytes += written
        elapsed = time.monotonic() - self._begun
        if elapsed > 1:
            # the Parquet file beside the journal takes about half as much again
            self.bytes_per_second = 1.5 * self._bytes / elapsed

    def _give_up(self, failure: StorageError) -> None:
        self.failure = failure
        with suppress(OSError):  # on a full disk the partial file goes when the journal is recovered
            self._file.abandon()
        self._journal.close()
        while not self._queue.empty():
            self._queue.get_nowait()


def _cannot_write(path: Path, error: OSError) -> DiskFull:
    return DiskFull(
        f"cannot be written ({error.strerror})",
        str(path),
        f"Make room or choose another folder with --out. {_JOURNAL_KEPT}",
    )
