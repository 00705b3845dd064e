"""What there is to choose from on the first screen, as rows of pieces. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from capture.links.finding import NOT_ASKED, VIRTUAL, FoundLogger
from tui.formatting import duration, plain
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.state_words import LOOKED, LOOKING, StateWord

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from capture.errors import StorageError
    from capture.storage.shelf import ShelvedRecording

#: A list is for choosing at a glance; what is older is listed by the command.
MOST_RECORDINGS: Final = 100
MOST_TROUBLES: Final = 3
_STARTED: Final = "%Y-%m-%d %H:%M"
_INDENT: Final = "  "


@dataclass(frozen=True, slots=True)
class Row:
    """Lines that belong together; with a `chosen` they can be chosen, else they only say something."""

    lines: tuple[tuple[Piece, ...], ...]
    chosen: FoundLogger | ShelvedRecording | None = None

    @property
    def key(self) -> str | None:
        """What tells this row from the others, and the same row again after a change."""
        return None if self.chosen is None else _key(self.chosen)


@dataclass(frozen=True, slots=True)
class Shelf:
    """The recordings as far as they are known; `read` is False until the folder has been looked through."""

    folder: Path
    recordings: Sequence[ShelvedRecording] = ()
    unreadable: Sequence[StorageError] = ()
    finished: Sequence[str] = ()
    read: bool = False


def logger_rows(loggers: Iterable[FoundLogger], *, looking: bool) -> list[Row]:
    """Return the heading and the loggers: those that answered, the virtual one, and what may be none.

    So the first that can be chosen is never one that was not asked, or did not answer.
    """
    ordered = sorted(loggers, key=lambda one: (bool(one.trouble), one.kind == VIRTUAL, one.address))
    real = any(one.kind != VIRTUAL and not one.trouble for one in ordered)
    rows = [_heading("LOGGERS", LOOKING if looking else LOOKED, "" if looking else "press s to look again")]
    if not real:
        rows.append(
            _said("The ports of this computer are asked who is there ...")
            if looking
            else _said(
                "No logger answers. Plug one in, then press s.",
                "No logger at hand? Press d: the demo needs none.",
            )
        )
    return rows + [_logger(one) for one in ordered]


def recording_rows(shelf: Shelf) -> list[Row]:
    """Return the heading and the recordings, newest first, behind what was finished just now."""
    where = Piece(plain(str(shelf.folder)), shrink=Shrink.MIDDLE)
    rows = [Row(((Piece(""),),)), Row(((Piece("RECORDINGS", "bold underline"), Piece("in"), where),))]
    rows += [_said(f"✓ {plain(line)}") for line in shelf.finished]
    if not shelf.read:
        return [*rows, _said("The folder is looked through ...")]
    rows += [_recording(one) for one in shelf.recordings[:MOST_RECORDINGS]]
    if not shelf.recordings:
        rows.append(
            _said("None yet. Open a logger, or with d the demo;", "press r there, and the run is kept here.")
        )
    if len(shelf.recordings) > MOST_RECORDINGS:
        rows.append(_said(f"and {len(shelf.recordings) - MOST_RECORDINGS} older ones: sagline list"))
    rows += [_said(f"▲ {plain(str(error))}") for error in shelf.unreadable[:MOST_TROUBLES]]
    if len(shelf.unreadable) > MOST_TROUBLES:
        rows.append(_said(f"▲ and {len(shelf.unreadable) - MOST_TROUBLES} more that cannot be read"))
    return rows


def _heading(title: str, state: StateWord, hint: str) -> Row:
    return Row(((Piece(title, "bold underline"), Piece(f" {state.label} ", state.tone.value), Piece(hint)),))


def _said(*lines: str) -> Row:
    return Row(tuple((Piece(_INDENT + line, shrink=Shrink.END),) for line in lines))


def _key(chosen: FoundLogger | ShelvedRecording) -> str:
    return f"logger {chosen.address}" if isinstance(chosen, FoundLogger) else f"recording {chosen.path}"


def _logger(found: FoundLogger) -> Row:
    """Return two lines: who it is and where, then what it says of itself or why it does not."""
    first: tuple[Piece, ...]
    port = Piece(plain(found.port))
    if found.trouble:
        opens = "; press Enter to open it" if found.trouble == NOT_ASKED else ""
        sign = "○" if found.trouble == NOT_ASKED else "▲"
        first = (Piece(f"{_INDENT}{sign} {plain(found.address)}", shrink=Shrink.MIDDLE), port)
        second = f"{plain(found.trouble)}{opens}"
    else:
        name = plain(found.name) or "a logger without a name"
        address = Piece(plain(found.address), shrink=Shrink.MIDDLE)
        first = (Piece(f"{_INDENT}● {name}", "bold", Shrink.MIDDLE), address, port)
        channels = ", ".join(plain(channel) for channel in found.channels)
        firmware = plain(found.firmware) or "unknown"
        second = f"firmware {firmware}, {len(found.channels)} channels: {channels}"
    return Row((first, (Piece(f"{_INDENT}  {second}", shrink=Shrink.END),)), found)


def _recording(shelved: ShelvedRecording) -> Row:
    """Return one line: when, pack, kind, how long, lost, how it went."""
    card = shelved.card
    lost = f"{'!' if shelved.lost_samples else ''}{shelved.lost_samples} lost"
    outcome = "▲ interrupted" if shelved.interrupted else plain(str(card.outcome or ""))
    return Row(
        (
            (
                Piece(_INDENT + _when(shelved.started)),
                Piece(_column(card.pack, 10), "bold"),
                Piece(_column(card.kind, 9)),
                Piece(f"{duration(shelved.duration_s):>7}"),
                Piece(f"{lost:>10}"),
                Piece(outcome, "bold" if shelved.interrupted else ""),
            ),
        ),
        shelved,
    )


def _column(text: object, width: int) -> str:
    """Return a word of the run card in a column of its own, a dash where there is none."""
    told = plain(str(text)) if text else "-"
    return f"{told if len(told) <= width else told[: width - 1] + '…':{width}}"


def _when(started: str) -> str:
    """Return a moment in the time of this place; as it stands where it is none."""
    try:
        return f"{datetime.fromisoformat(started).astimezone():{_STARTED}}"
    except (ValueError, OverflowError, OSError):
        return _column(started, 16)
