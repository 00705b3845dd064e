"""The journal of a running recording: append-only, checksummed records in a file that its writer locks.

What is assumed of the disk: bytes reach it in any order until fdatasync returns, and the last record may be
torn. So each record carries a marker, its length and a checksum; reading stops at nothing, it skips to the
next good record and counts what it skipped.

Layout: 8 bytes FILE_HEAD, then records: marker (4), payload length u32, kind u8, host time i64 (ns since the
epoch), payload, CRC-32/ISO-HDLC of all between marker and checksum; little-endian.
"""

from __future__ import annotations

import json
import os
import struct
import time
import zlib
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import portalocker

from capture.durable import sync_folder
from capture.errors import RecordingDamaged, RecordingInUse

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FILE_HEAD: Final = b"SAGLJRN1"
MARKER: Final = b"\xa5\xc3\x5a\x3c"
MAX_PAYLOAD_BYTES: Final = 1 << 20
RECOVERY_TAKES_S: Final = 0.05
_CHUNK_BYTES: Final = 1 << 18
_HEAD: Final = struct.Struct("<IBq")
_CHECKSUM: Final = struct.Struct("<I")


class RecordKind(IntEnum):
    """What a record holds."""

    OPENING = 1  # JSON: the Opening of the run
    BYTES_IN = 2  # from the logger
    BYTES_OUT = 3  # to the logger
    EVENT = 4  # JSON: a host event of capture/events.py


@dataclass(frozen=True, slots=True)
class Record:
    """One record: its kind, the host's time in ns, and its payload."""

    kind: RecordKind
    host_ns: int
    payload: bytes

    def document(self) -> dict[str, Any]:
        """Return the JSON object in the payload; raise ValueError where there is none."""
        document = json.loads(self.payload)
        if not isinstance(document, dict):
            raise TypeError("not a JSON object")
        return document


_KINDS: Final = frozenset(kind.value for kind in RecordKind)


def encode_record(record: Record) -> bytes:
    """Return `record` as it stands in the file."""
    body = _HEAD.pack(len(record.payload), record.kind, record.host_ns) + record.payload
    return MARKER + body + _CHECKSUM.pack(zlib.crc32(body))


def _lock(file: BinaryIO, path: Path) -> None:
    try:
        portalocker.lock(file, portalocker.LockFlags.EXCLUSIVE | portalocker.LockFlags.NON_BLOCKING)
    except portalocker.LockException:
        raise RecordingInUse(
            "is being recorded by another process", str(path), "Wait until that recording has stopped."
        ) from None


def _new_locked(path: Path) -> BinaryIO:
    """Return the new file at `path`, locked before its first byte.

    Between making and locking it, a recovery in another process may take it for one left behind and empty,
    lock it, and remove it; then it is made again.
    """
    while True:
        file = path.open("xb", buffering=0)
        try:
            _lock(file, path)
            if os.path.samestat(os.fstat(file.fileno()), path.stat()):
                return file
        except (RecordingInUse, FileNotFoundError):
            time.sleep(RECOVERY_TAKES_S)
        file.close()


class JournalWriter:
    """Appends records to a new, locked file. `sync` makes all before it safe."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = _new_locked(path)
        sync_folder(path.parent)
        self._unwritten = bytearray(FILE_HEAD)

    def append(self, record: Record) -> None:
        """Add `record`; it is on its way to the disk after `flush`, safe after `sync`."""
        self._unwritten += encode_record(record)

    def flush(self) -> None:
        """Hand all records to the operating system; from here on they survive the end of this process."""
        while self._unwritten:
            written = self._file.write(self._unwritten)
            del self._unwritten[: written or 0]

    def sync(self) -> None:
        """Return when all records are on the disk, so that they survive a power cut."""
        self.flush()
        getattr(os, "fdatasync", os.fsync)(self._file.fileno())

    def close(self) -> None:
        """Let go of the file and its lock; the file stays."""
        self._file.close()

    def remove(self) -> None:
        """Close and delete the file, once its samples are safe elsewhere."""
        self.path.unlink()
        self._file.close()


class JournalReader:
    """Reads a journal while holding its lock, so that no two processes recover the same one."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.skipped_bytes = 0
        try:
            self._file: BinaryIO = path.open("rb+")
        except OSError as error:
            raise RecordingDamaged(
                f"cannot be opened ({error.strerror})", str(path), "Check that you may read and write it."
            ) from error
        try:
            _lock(self._file, path)
        except RecordingInUse:
            self._file.close()
            raise

    @property
    def size(self) -> int:
        """Bytes of the file."""
        return os.fstat(self._file.fileno()).st_size

    @property
    def bytes_read(self) -> int:
        """Bytes read so far."""
        return self._file.tell()

    @property
    def holds_nothing(self) -> bool:
        """Whether the writer ended before its first record: there is nothing to lose."""
        return self.size <= len(FILE_HEAD)

    def records(self) -> Iterator[Record]:
        """Yield the good records in order; bytes that belong to none are counted in `skipped_bytes`."""
        content = self._file.read(_CHUNK_BYTES)
        position = len(FILE_HEAD) if content.startswith(FILE_HEAD) else 0
        more = True
        while more or position < len(content):
            record, start, end = next_record(content, position, complete=not more)
            self.skipped_bytes += start - position
            position = end
            if record is not None:
                yield record
            elif more:
                chunk = self._file.read(_CHUNK_BYTES)
                more = bool(chunk)
                content, position = content[position:] + chunk, 0

    def close(self) -> None:
        """Let go of the file and its lock."""
        self._file.close()


def next_record(content: bytes, position: int, *, complete: bool) -> tuple[Record | None, int, int]:
    """Return the first good record from `position` on, where it starts and where the next may begin.

    Without a record the two places are equal: all before them is of no use, the rest may become a record
    with more bytes. With `complete` no more bytes will come, and the rest is of no use either.
    """
    while (start := content.find(MARKER, position)) >= 0:
        body = start + len(MARKER)
        head_end = body + _HEAD.size
        if len(content) < head_end:
            break
        length, kind, host_ns = _HEAD.unpack_from(content, body)
        end = head_end + length
        if length <= MAX_PAYLOAD_BYTES and kind in _KINDS:
            if len(content) < end + _CHECKSUM.size:
                if not complete:
                    return None, start, start
            elif zlib.crc32(memoryview(content)[body:end]) == _CHECKSUM.unpack_from(content, end)[0]:
                record = Record(RecordKind(kind), host_ns, content[head_end:end])
                return record, start, end + _CHECKSUM.size
        position = start + 1
    if complete:
        return None, len(content), len(content)
    if start < 0:  # the last bytes may be the beginning of a marker
        start = max(position, len(content) - len(MARKER) + 1)
    return None, start, start
