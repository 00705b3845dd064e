"""The recording in progress: one run, its writer, and what goes into the journal in which order."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from capture.engine.snapshot import RecordingState, RecordingStatus
from capture.events import event_document
from capture.storage.journal import Record, RecordKind
from capture.storage.naming import new_recording
from capture.storage.recorder import Recorder, Seal

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from capture.blocks import SampleBlock
    from capture.events import Ended, Event
    from capture.run import Run


class ActiveRecording:
    """Journals what a run receives before its samples are written, and seals it at the end.

    `pending` are the bytes of the frame that had begun when the recording was opened; `name` is what the file
    is to be called.
    """

    def __init__(self, run: Run, folder: Path, pending: bytes, name: str | None = None) -> None:
        self.run = run
        self.path = new_recording(folder, run.opening.card, run.opening.opened_ns, name)
        self._recorder = Recorder(self.path, run.path.decoder.columns)
        self._sealed = False
        self._put_json(RecordKind.OPENING, run.opening.opened_ns, run.opening.as_json())
        if pending:
            self._recorder.put(Record(RecordKind.BYTES_IN, run.opening.opened_ns, pending))

    @property
    def has_room(self) -> bool:
        """Whether the writer can take another turn of the engine."""
        return self._recorder.failure is not None or self._recorder.has_room

    @property
    def running(self) -> bool:
        """Whether samples still go into it."""
        return not self._sealed and self._recorder.failure is None

    @property
    def finished(self) -> bool:
        """Whether the writer has ended, well or not."""
        return self._recorder.finished

    def received(self, host_ns: int, received: bytes) -> None:
        """Journal bytes from the logger."""
        self._recorder.put(Record(RecordKind.BYTES_IN, host_ns, received))

    def sent(self, host_ns: int, sent: bytes) -> None:
        """Journal bytes to the logger."""
        self._recorder.put(Record(RecordKind.BYTES_OUT, host_ns, sent))

    def write(self, blocks: Iterable[SampleBlock]) -> None:
        """Write samples whose bytes have been journalled."""
        for block in blocks:
            self._recorder.put(block)

    def happened(self, event: Event) -> list[SampleBlock]:
        """Journal `event` and let it happen to the run; return the blocks that need not wait any more."""
        self._put_json(RecordKind.EVENT, event.at.host_ns, event_document(event))
        return self.run.apply(event)

    def seal(self, ended: Ended) -> list[SampleBlock]:
        """End the run and let the writer finish the file; return the blocks that had waited.

        `finished` tells when the writer is done.
        """
        self._sealed = True
        last = self.run.apply(ended)
        self.write(last)
        record = Record(RecordKind.EVENT, ended.at.host_ns, json.dumps(event_document(ended)).encode())
        self._recorder.put(Seal(record, self.run.document()))
        return last

    def wait(self, timeout_s: float) -> None:
        """Return when the writer has ended, or after `timeout_s`."""
        self._recorder.wait(timeout_s)

    def status(self) -> RecordingStatus:
        """Return the recording in words and counts."""
        failure = self._recorder.failure
        if failure is not None:
            state, message = RecordingState.INTERRUPTED, str(failure)
        elif not self._sealed:
            state, message = RecordingState.RUNNING, ""
        else:
            state, message = (RecordingState.SAVED if self.finished else RecordingState.SAVING), ""
        return RecordingStatus(
            state=state,
            path=self.path,
            message=message,
            samples=self.run.path.account.delivered,
            marks=len(self.run.marks),
            waiting_fraction=self._recorder.waiting_fraction,
            disk_minutes_left=self._recorder.minutes_left() if state is RecordingState.RUNNING else None,
        )

    def _put_json(self, kind: RecordKind, host_ns: int, document: dict[str, object]) -> None:
        self._recorder.put(Record(kind, host_ns, json.dumps(document).encode()))
