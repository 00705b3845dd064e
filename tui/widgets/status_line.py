"""What the status lines say of the link and of the recording. Pure: status in, pieces out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.engine.snapshot import LinkState, RecordingState
from capture.pack_limits import AlarmKind
from capture.quantities import UNIT_LABELS
from tui.formatting import DECIMALS, disk_left, duration, number, plain, quantity_words, rate, with_unit
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.state_words import (
    ALARM,
    ALARM_WORDS,
    ARMED,
    FROZEN,
    GAP,
    LINK_WORDS,
    RECORDING_WORDS,
    RECOVERING,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.engine.snapshot import LinkStatus, RecordingStatus
    from capture.pack_limits import Alarm
    from tui.widgets.state_words import StateWord

_DISK_SHORT_MINUTES: Final = 10
_WRITER_BEHIND_FROM: Final = 0.25
_SILENT: Final = frozenset({LinkState.SILENT, LinkState.RECONNECTING, LinkState.LOST})
_TROUBLE: Final = "bold $warning"


def link_pieces(link: LinkStatus, *, frozen: bool) -> list[Piece]:
    """Return how the link is, what it carries and what was lost on the way."""
    word = LINK_WORDS[link.state]
    since = f" {duration(link.silent_s)}" if link.state in _SILENT else ""
    pieces = [_pill(word, since)]
    if frozen:
        pieces.append(_pill(FROZEN))
    if link.missing_samples:
        pieces.append(_pill(RECOVERING, f" {link.missing_samples:,}"))
    if link.lost_samples:
        pieces.append(_pill(GAP, f" {link.lost_samples:,}"))
    if link.message:
        pieces.append(Piece(plain(link.message), "bold", Shrink.END))
    else:
        pieces.append(Piece(plain(link.logger_name or link.address), shrink=Shrink.MIDDLE))
    if link.state is LinkState.STREAMING:
        pieces.append(Piece(rate(link.rate_hz)))
    if link.state not in {LinkState.CONNECTING, LinkState.FAILED}:
        pieces += _counts(link)
    return pieces


def _counts(link: LinkStatus) -> list[Piece]:
    pieces = [] if link.lost_samples else [Piece("lost 0")]
    pieces.append(Piece(f"recovered {link.recovered_samples:,}"))
    if link.ring_s is not None:
        pieces.append(Piece(f"ring {number(link.ring_s, 1)} s" if link.ring_s else "! no ring"))
    if link.rejected_frames:
        pieces.append(Piece(f"! rejected {link.rejected_frames:,}", _TROUBLE))
    return pieces


def recording_pieces(recording: RecordingStatus, run_s: float, *, streaming: bool) -> list[Piece]:
    """Return how the recording is, its file, how its writer keeps up, and how long the disk lasts."""
    word = RECORDING_WORDS[recording.state]
    running = recording.state is RecordingState.RUNNING
    pieces = [_pill(word, f" {duration(run_s)}" if running else "")]
    if recording.armed and not running:
        pieces.append(_pill(ARMED))
    if recording.ends_in_s is not None:
        pieces.append(Piece(f"ends in {recording.ends_in_s:.0f} s", "bold"))
    if streaming and recording.state in {RecordingState.OFF, RecordingState.SAVED}:
        pieces.append(Piece("a load starts it, or r" if recording.armed else "r records, a arms", "bold"))
    if recording.message:
        pieces.append(Piece(plain(recording.message), "bold", Shrink.END))
    if recording.path is not None and recording.state is not RecordingState.OFF:
        pieces.append(Piece(plain(recording.path.name), shrink=Shrink.MIDDLE))
    if running:
        pieces.append(_writer(recording.waiting_fraction))
    if recording.disk_minutes_left is not None:
        pieces.append(_disk(recording.disk_minutes_left))
    if running:
        pieces.append(Piece(f"{recording.marks} mark{'' if recording.marks == 1 else 's'}"))
    return pieces


def alarm_pieces(alarms: Sequence[Alarm], *, seen: bool) -> list[Piece]:
    """Return what passes its limit, the first with what to do about it."""
    pieces = [Piece(f" {ALARM.shape} {_alarm(alarm)} ", ALARM.tone.value) for alarm in alarms]
    if pieces:
        advice = ALARM_WORDS[alarms[0].kind].advice
        pieces.insert(1, Piece(advice if seen else f"{advice}; x: seen", "bold"))
    return pieces


def _alarm(alarm: Alarm) -> str:
    """Return an alarm in words, such as `CURRENT HIGH 73.2 A, limit 60.0`."""
    which = f" {quantity_words(alarm.where)}" if alarm.kind is AlarmKind.GROUP_LOW else ""
    value = with_unit(alarm.value, UNIT_LABELS.get(alarm.unit, alarm.unit))
    limit = number(alarm.limit, DECIMALS.get(alarm.unit, 1))
    return f"{ALARM_WORDS[alarm.kind].words}{which} {value}, limit {limit}"


def _pill(word: StateWord, more: str = "") -> Piece:
    return Piece(f" {word.label}{more} ", word.tone.value)


def _writer(waiting_fraction: float) -> Piece:
    """Return how the writer keeps up: how much of its queue is taken."""
    if waiting_fraction < _WRITER_BEHIND_FROM:
        return Piece("writer ok")
    return Piece(f"! writer behind, {waiting_fraction:.0%} waiting", _TROUBLE)


def _disk(minutes: float) -> Piece:
    short = minutes < _DISK_SHORT_MINUTES
    return Piece(f"{'! ' if short else ''}disk {disk_left(minutes)}", _TROUBLE if short else "")
