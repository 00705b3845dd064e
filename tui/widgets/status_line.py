"""What the status lines say of the link and of the recording. Pure: status in, pieces out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.engine.snapshot import LinkState, RecordingState
from tui.formatting import disk_left, duration, plain, rate
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.state_words import FROZEN, LINK_WORDS, PROVISIONAL, RECORDING_WORDS

if TYPE_CHECKING:
    from capture.engine.snapshot import LinkStatus, RecordingStatus

_DISK_SHORT_MINUTES: Final = 10
_WRITER_BEHIND_FROM: Final = 0.25
_SILENT: Final = frozenset({LinkState.SILENT, LinkState.RECONNECTING, LinkState.LOST})
_TROUBLE: Final = "bold $warning"


def link_pieces(link: LinkStatus, *, frozen: bool) -> list[Piece]:
    """Return how the link is, what it carries and what was lost on the way."""
    word = LINK_WORDS[link.state]
    since = f" {duration(link.silent_s)}" if link.state in _SILENT else ""
    pieces = [Piece(f" {word.label}{since} ", word.tone.value)]
    if frozen:
        pieces.append(Piece(f" {FROZEN.label} ", FROZEN.tone.value))
    if link.missing_samples:
        pieces.append(Piece(f" {PROVISIONAL.label} ", PROVISIONAL.tone.value))
    if link.message:
        pieces.append(Piece(plain(link.message), "bold", Shrink.END))
    else:
        pieces.append(Piece(plain(link.logger_name or link.address), shrink=Shrink.MIDDLE))
    if link.state is LinkState.STREAMING:
        pieces.append(Piece(rate(link.rate_hz)))
    if link.state not in {LinkState.CONNECTING, LinkState.FAILED}:
        if link.missing_samples:
            pieces.append(Piece(f"! waiting for {link.missing_samples:,}", _TROUBLE))
        if link.recovered_samples:
            pieces.append(Piece(f"recovered {link.recovered_samples:,}"))
        pieces.append(_counted("lost", link.lost_samples))
        pieces.append(_counted("rejected", link.rejected_frames))
    return pieces


def recording_pieces(recording: RecordingStatus, run_s: float, *, streaming: bool) -> list[Piece]:
    """Return how the recording is, its file, and how long the disk lasts."""
    word = RECORDING_WORDS[recording.state]
    running = recording.state is RecordingState.RUNNING
    pieces = [Piece(f" {word.label}{' ' + duration(run_s) if running else ''} ", word.tone.value)]
    if recording.state is RecordingState.OFF and streaming:
        pieces.append(Piece("press r to record", "bold"))
    if recording.message:
        pieces.append(Piece(plain(recording.message), "bold", Shrink.END))
    if recording.path is not None and recording.state is not RecordingState.OFF:
        pieces.append(Piece(plain(recording.path.name), shrink=Shrink.MIDDLE))
    if recording.state is RecordingState.SAVED and streaming:
        pieces.append(Piece("r records again"))
    if running and recording.waiting_fraction >= _WRITER_BEHIND_FROM:
        pieces.append(Piece(f"! disk slow, {recording.waiting_fraction:.0%} waiting", _TROUBLE))
    if recording.disk_minutes_left is not None:
        pieces.append(_disk(recording.disk_minutes_left))
    if running:
        pieces.append(Piece(f"{recording.marks} mark{'' if recording.marks == 1 else 's'}"))
    return pieces


def _counted(name: str, count: int) -> Piece:
    """Return a count; one that is not zero draws the eye by a sign and not by its colour alone."""
    return Piece(f"! {name} {count:,}", _TROUBLE) if count else Piece(f"{name} 0")


def _disk(minutes: float) -> Piece:
    short = minutes < _DISK_SHORT_MINUTES
    return Piece(f"{'! ' if short else ''}disk {disk_left(minutes)}", _TROUBLE if short else "")
