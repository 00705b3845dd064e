"""Recovery: a journal left behind by a crash, a power cut or a full disk becomes the recording it was to be.

The journal is replayed through the same reader, path and file writer as a live run, so the recovered
columns are those that a clean stop would have written.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.errors import DiskFull, RecordingDamaged, RecordingInUse, StorageError
from capture.events import Ended, LinkLost, event_from
from capture.opening import Opening
from capture.run import Run
from capture.storage.journal import JournalReader, Record, RecordKind
from capture.storage.naming import journals_in, partial_of, recording_of
from capture.storage.parquet_file import RecordingFile
from capture.storage.recording import open_recording
from firmware_protocol.errors import ProtocolError
from firmware_protocol.framing import Damage, FrameRejected
from firmware_protocol.host_link import MessageReader
from firmware_protocol.messages import Command, UnknownCommand

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from capture.blocks import SampleBlock
    from capture.events import Event

    Progress = Callable[[int, int], None]


CUT_OFF: Final = "cut off: the program or the machine stopped in mid-run"


@dataclass(frozen=True, slots=True)
class Recovered:
    """One journal made into a recording."""

    recording: Path
    samples: int
    lost_samples: int
    skipped_bytes: int


class Replay:
    """Drives a Run with the records of a journal; the run is known once the opening has been read."""

    def __init__(self, records: Iterator[Record], path: Path) -> None:
        self._records = records
        self._path = path
        self._reader = MessageReader()
        self.run = Run(_opening(records, path))

    def blocks(self) -> Iterator[SampleBlock]:
        """Yield the samples of the journal in order. A run that was cut off ends with its last record."""
        host_ns = self.run.opening.opened_ns
        for record in self._records:
            host_ns = record.host_ns
            if record.kind is RecordKind.BYTES_IN:
                yield from self.run.receive(self._messages(record.payload), host_ns).ordered
            elif record.kind is RecordKind.EVENT:
                yield from self.run.apply(self._event(record))
        if self.run.ended is None:
            yield from self.run.apply(Ended(self.run.moment(host_ns), CUT_OFF, interrupted=True))

    def _messages(self, received: bytes) -> list[object]:
        """Return what the live host made of `received`: an echoed command is a rejected frame."""
        return [
            FrameRejected(Damage.MESSAGE, 0) if isinstance(message, Command | UnknownCommand) else message
            for message in self._reader.receive(received)
        ]

    def _event(self, record: Record) -> Event:
        try:
            event = event_from(record.document())
        except (ValueError, KeyError, TypeError) as error:
            raise RecordingDamaged(
                f"holds an event that this version does not know ({error!r})",
                str(self._path),
                "Recover it with the version of sagline that recorded it, or a newer one.",
            ) from error
        if isinstance(event, LinkLost):  # what had begun to arrive never ended
            self._reader = MessageReader()
        return event


def _opening(records: Iterator[Record], path: Path) -> Opening:
    first = next(records, None)
    why = "it is empty"
    if first is not None:
        try:
            return Opening.from_json(first.document())
        except (ValueError, KeyError, TypeError, ProtocolError) as error:
            why = repr(error)
    raise RecordingDamaged(
        f"has no opening that can be read ({why}), so no sample in it can be placed",
        str(path),
        "It is left as it is; move it away if it is of no use to you.",
    )


def recover(journal: Path, progress: Progress = lambda _done, _total: None) -> Recovered | None:
    """Make the recording of `journal` and remove the journal; None where it held nothing.

    `progress` is told the bytes of the journal done so far, and how many there are. Raises RecordingInUse
    while another process writes it, RecordingDamaged where it has no opening, DiskFull where the recording
    cannot be written.
    """
    reader = JournalReader(journal)
    try:
        target = recording_of(journal)
        if reader.holds_nothing:
            partial_of(target).unlink(missing_ok=True)
            journal.unlink()
            return None
        return _already_sealed(reader, target) or _rebuild(reader, target, progress)
    except OSError as error:
        raise DiskFull(
            f"cannot be written ({error.strerror})", str(target), "Make room; the journal beside it is kept."
        ) from error
    finally:
        reader.close()


def _rebuild(reader: JournalReader, target: Path, progress: Progress) -> Recovered:
    replay = Replay(reader.records(), reader.path)
    file = RecordingFile(target, replay.run.path.decoder.columns)
    try:
        for block in replay.blocks():
            file.append(block)
            progress(reader.bytes_read, reader.size)
        file.seal(replay.run.document())
    except BaseException:
        file.abandon()
        raise
    reader.path.unlink()
    account = replay.run.path.account
    return Recovered(target, account.delivered, account.lost, reader.skipped_bytes)


def _already_sealed(reader: JournalReader, target: Path) -> Recovered | None:
    """Return the recording if the crash came between renaming it and removing the journal.

    A file that is there and cannot be read is moved aside, never overwritten.
    """
    if not target.exists():
        return None
    try:
        sealed = open_recording(target)
    except RecordingDamaged:
        target.rename(target.with_name(target.name + ".damaged"))
        return None
    reader.path.unlink()
    return Recovered(target, sealed.rows, int(sealed.document["lost_samples"]), 0)


def recover_folder(
    folder: Path, progress: Progress = lambda _done, _total: None
) -> tuple[list[Recovered], list[StorageError]]:
    """Recover every interrupted recording in `folder`; running ones are locked and left alone.

    Returns what was recovered and, for journals that could not be, why.
    """
    recovered: list[Recovered] = []
    damaged: list[StorageError] = []
    for journal in journals_in(folder):
        try:
            one = recover(journal, progress)
        except RecordingInUse:
            continue
        except StorageError as error:
            damaged.append(error)
        else:
            recovered += [] if one is None else [one]
    return recovered, damaged
