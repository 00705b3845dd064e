"""Amendments: what was learnt of a run after it had ended, in a small file beside the recording.

The recording itself is never written again. `NAME.amendments.json` is replaced whole: written under another
name, synced, renamed, the folder synced; so a crash leaves the old file or the new one. Whoever writes holds
a lock on the recording and looks first whether the file is still what was read.
"""

from __future__ import annotations

import json
import os
import stat
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, NoReturn, TypeVar

import portalocker

from capture.durable import sync_folder
from capture.errors import DiskFull, InputError, RecordingDamaged, RecordingInUse
from capture.events import TypedReading
from capture.run_card import checked_field, checked_number, checked_text
from capture.storage.naming import amendments_of, partial_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from pathlib import Path

Entry = TypeVar("Entry")
#: Formats 1 and 2 know less of the run card.
AMENDMENTS_FORMAT: Final = 3
_KNOWN_FORMATS: Final = frozenset({1, 2, 3})
#: No person types more; a larger file is not ours and is not read into memory.
MOST_BYTES: Final = 1 << 20
_KEYS: Final = frozenset({"format", "card", "notes", "readings", "mark_texts"})
_READING_KEYS: Final = frozenset({"quantity", "value", "unit", "resolution"})


@dataclass(frozen=True, slots=True)
class Amendments:
    """What replaces or adds to a recording's own document when it is read.

    `card` holds the fields of the run card that differ from the recording's own, by name; `notes` and
    `readings` are added behind those of the run; `mark_texts` replaces the text of a mark, counted from 1.
    """

    card: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    readings: tuple[TypedReading, ...] = ()
    mark_texts: Mapping[int, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.card or self.notes or self.readings or self.mark_texts)

    def plus(self, later: Amendments) -> Amendments:
        """Return these with later ones: fields and mark texts are replaced, notes and readings added."""
        return Amendments(
            {**self.card, **later.card},
            self.notes + later.notes,
            self.readings + later.readings,
            {**self.mark_texts, **later.mark_texts},
        )


@dataclass(frozen=True, slots=True)
class StoredAmendments:
    """Amendments as they were read, and the bytes they were read from: None where there was no file."""

    amendments: Amendments
    content: bytes | None


def read_amendments(recording: Path) -> StoredAmendments:
    """Return the amendments beside `recording`, empty where there are none.

    Raises RecordingDamaged where the file beside it cannot be read as amendments.
    """
    path = amendments_of(recording)
    content = _content(path)
    if content is None:
        return StoredAmendments(Amendments(), None)
    try:
        document = json.loads(content.decode(), parse_constant=_refuse_constant)
        return StoredAmendments(_amendments_from(document), content)
    except (ValueError, RecursionError) as error:
        what = "nests too deep" if isinstance(error, RecursionError) else str(error).splitlines()[0]
        raise _damaged(path, what) from error


def write_amendments(recording: Path, amendments: Amendments, *, over: StoredAmendments) -> None:
    """Keep `amendments` beside `recording`, in place of those that were read as `over`.

    Raises InputError where they hold what no run card or reading can, RecordingInUse where the file changed
    since it was read or another process writes it now, RecordingDamaged where there is no such recording,
    DiskFull where they cannot be written.
    """
    path = amendments_of(recording)
    content = _encoded(amendments, path)
    with _only_writer(recording):
        if _content(path) != over.content:
            raise RecordingInUse(
                "was changed by somebody else since it was read", str(path), "Open the recording again."
            )
        _replace(path, content)


def amend(recording: Path, added: Amendments) -> Amendments:
    """Add to what is kept beside `recording`; return all of it. Raises as `write_amendments` does.

    Amendments that cannot be read are left as they are: RecordingDamaged.
    """
    stored = read_amendments(recording)
    together = stored.amendments.plus(added)
    write_amendments(recording, together, over=stored)
    return together


def merged(document: Mapping[str, Any], amendments: Amendments) -> dict[str, Any]:
    """Return a recording's document with the amendments in it, and with what it says of them itself.

    `amended` tells that there are any; `run_card_as_recorded` is the card before. Notes and readings that
    were added carry `after` and no moment. Raises ValueError where a mark is named that the run has not.
    """
    if not amendments:
        return dict(document)
    marks = [dict(mark) for mark in document["marks"]]
    for number, text in amendments.mark_texts.items():
        if not 1 <= number <= len(marks):
            raise ValueError(f"names mark {number}, and the run has {len(marks)}")
        marks[number - 1]["text"] = text
    afterwards = {"segment": None, "index": None, "t_s": None, "host_ns": None, "after": True}
    notes = [{**afterwards, "text": text} for text in amendments.notes]
    readings = [{**afterwards, **asdict(reading)} for reading in amendments.readings]
    return {
        **document,
        "run_card": {**document["run_card"], **amendments.card},
        "marks": marks,
        "notes": [*document.get("notes", []), *notes],
        "readings": [*document.get("readings", []), *readings],
        "amended": True,
        "run_card_as_recorded": document.get("run_card_as_recorded", document["run_card"]),
    }


def withdraw(recording: Path, notes: Collection[int] = (), readings: Collection[int] = ()) -> Amendments:
    """Take back notes and readings that were added, by their numbers among the added ones, from 1.

    Returns what is left. Raises InputError where there is no such number, else as `write_amendments` does.
    """
    stored = read_amendments(recording)
    kept = stored.amendments
    left = replace(
        kept,
        notes=_without(kept.notes, notes, "note", recording),
        readings=_without(kept.readings, readings, "reading", recording),
    )
    write_amendments(recording, left, over=stored)
    return left


def _without(
    added: tuple[Entry, ...], numbers: Collection[int], what: str, recording: Path
) -> tuple[Entry, ...]:
    for number in numbers:
        if not 1 <= number <= len(added):
            raise InputError(
                f"has no {what} {number} among the {len(added)} that were added after the run",
                str(recording),
                "See them with: sagline summary",
            )
    return tuple(entry for number, entry in enumerate(added, start=1) if number not in numbers)


def checked_amendments(amendments: Amendments) -> Amendments:
    """Return the amendments as a file holds them; raise ValueError that says what is wrong with them."""
    return _amendments_from(_document(amendments))


def _document(amendments: Amendments) -> dict[str, Any]:
    return {
        "format": AMENDMENTS_FORMAT,
        "card": dict(amendments.card),
        "notes": list(amendments.notes),
        "readings": [asdict(reading) for reading in amendments.readings],
        "mark_texts": {str(number): text for number, text in amendments.mark_texts.items()},
    }


def _encoded(amendments: Amendments, path: Path) -> bytes:
    """Return the content of the file: whatever is written can be read again."""
    try:
        checked = checked_amendments(amendments)
    except ValueError as error:
        raise InputError(f"cannot hold this: {error}", str(path), "Type it anew.") from error
    text = json.dumps(_document(checked), allow_nan=False, ensure_ascii=False, indent=1)
    content = (text + "\n").encode()
    if len(content) > MOST_BYTES:
        raise InputError("would grow beyond a megabyte", str(path), "Keep long texts elsewhere.")
    return content


def _amendments_from(document: object) -> Amendments:
    """Return what a file holds; raise ValueError that says what is wrong. Nothing unknown is passed over.

    It would be lost when the file is written again.
    """
    kept = _object(document, _KEYS, "the file")
    if kept["format"] not in _KNOWN_FORMATS:
        raise ValueError(f"format {str(kept['format'])[:20]!r} is not known to this version of sagline")
    card, marks = kept["card"], kept["mark_texts"]
    if not isinstance(card, dict) or not isinstance(marks, dict):
        raise ValueError("card or mark_texts are no objects")  # noqa: TRY004
    if not isinstance(kept["notes"], list) or not isinstance(kept["readings"], list):
        raise ValueError("notes or readings are no lists")  # noqa: TRY004
    return Amendments(
        {name: _named(name[:40], checked_field, name, value) for name, value in card.items()},
        tuple(_named("a note", checked_text, note) for note in kept["notes"]),
        tuple(_named("a reading", _reading, reading) for reading in kept["readings"]),
        {_mark_number(number): _named("a mark", checked_text, text) for number, text in marks.items()},
    )


def _named(what: str, check: Any, *values: object) -> Any:
    try:
        return check(*values)
    except ValueError as error:
        raise ValueError(f"{what}: {error}") from error


def _reading(document: object) -> TypedReading:
    kept = _object(document, _READING_KEYS, "it")
    resolution = kept["resolution"]
    quantity = checked_text(kept["quantity"])
    if not quantity.strip():
        raise ValueError("has no quantity")
    return TypedReading(
        quantity,
        checked_number(kept["value"]),
        checked_text(kept["unit"]),
        None if resolution is None else checked_number(resolution, above=0.0),
    )


def _object(document: object, keys: frozenset[str], what: str) -> dict[str, Any]:
    if not isinstance(document, dict) or document.keys() != keys:
        raise ValueError(f"{what} has not just the keys {', '.join(sorted(keys))}")
    return document


def _mark_number(text: str) -> int:
    if not text.isdecimal() or not text.isascii() or len(text) > 9 or int(text) < 1:  # noqa: PLR2004  no run has more
        raise ValueError("mark_texts names no mark by its number")
    return int(text)


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _content(path: Path) -> bytes | None:
    """Return the bytes of a file, None where there is none; nothing else than a file is opened."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise _damaged(path, "it is no file")
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _damaged(path, error.strerror or "unreadable") from error
    if len(content) > MOST_BYTES:
        raise _damaged(path, "it is larger than a megabyte")
    return content


@contextmanager
def _only_writer(recording: Path) -> Iterator[None]:
    """Hold the recording's lock: the recording stays, while the file beside it is replaced."""
    try:
        file = recording.open("rb")
    except OSError as error:
        raise RecordingDamaged(
            f"cannot be read ({error.strerror})", str(recording), "Run `sagline list` to see what is there."
        ) from error
    with file:
        try:
            portalocker.lock(file, portalocker.LockFlags.EXCLUSIVE | portalocker.LockFlags.NON_BLOCKING)
        except portalocker.LockException:
            raise RecordingInUse(
                "is being amended by another process", str(recording), "Try again in a moment."
            ) from None
        yield


def _replace(path: Path, content: bytes) -> None:
    partial = partial_of(path)
    try:
        with partial.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as error:
        raise DiskFull(
            f"cannot be written ({error.strerror})", str(path), "Make room or check that you may write there."
        ) from error
    sync_folder(path.parent)


def _damaged(path: Path, what: str) -> RecordingDamaged:
    return RecordingDamaged(
        f"holds amendments that cannot be read ({what})", str(path), "Mend it, or move it out of the way."
    )
