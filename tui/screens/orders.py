"""What the operator orders on the live screen, by key or click; each order is answered in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.screen import Screen

from capture.engine.snapshot import LinkState, RecordingState
from capture.errors import CaptureError
from capture.run_card import RunCard
from tui.screens.advice import SHORT_CAUTION
from tui.screens.ask_line import LineForm, ReadingForm
from tui.screens.card_form import CardForm
from tui.screens.zero_form import ZeroForm, zeroable

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.events import TypedReading
    from tui.session_controls import SessionControls

SPANS_S: Final = (10.0, 30.0, 60.0)
_SPAN_KEYS: Final = Binding.Group("Span", compact=True)


class LiveOrders(Screen[None]):
    """The keys of the live screen, and what of the session it shows.

    `newest` is the session's newest snapshot, `viewed` the one whose figures are shown. `complete` adds to a
    run card what is known of its pack.
    """

    AUTO_FOCUS: ClassVar[str | None] = ""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("r", "record", "Record", id="live.record", tooltip="Start a recording, or stop and save it"),
        Binding("m", "mark", "Mark", id="live.mark", tooltip="Note this moment in the recording"),
        Binding("e", "reading", "Gauge", id="live.reading", tooltip="Enter what a gauge shows now"),
        Binding("z", "zero", "Zero", id="live.zero", tooltip="Take what a channel reads now for its zero"),
        Binding(
            "a",
            "arm",
            "Arm",
            id="live.arm",
            tooltip="Let a load start and end the recording by itself, or not",
        ),
        Binding(
            "space",
            "freeze",
            "Freeze",
            key_display="spc",
            id="live.freeze",
            tooltip="Hold the view still; the recording goes on",
        ),
        Binding(
            "plus,equals_sign",
            "span(1)",
            "Longer",
            key_display="+",
            id="live.longer",
            tooltip="Show a longer stretch of time: 10, 30 or 60 s",
            group=_SPAN_KEYS,
        ),
        Binding(
            "minus",
            "span(-1)",
            "Shorter",
            key_display="-",
            id="live.shorter",
            tooltip="Show a shorter stretch of time: 60, 30 or 10 s",
            group=_SPAN_KEYS,
        ),
        Binding("n", "note", "Note", id="live.note", show=False, tooltip="Write a note on the run"),
        Binding("k", "card", "Card", id="live.card", show=False, tooltip="Fill in the next run's card"),
        Binding("c", "cuts", "Cuts", id="live.cuts", show=False, tooltip="All cuts instead of the chart"),
        Binding("x", "seen", "Seen", id="live.seen", show=False, tooltip="Stop the flashing of an alarm"),
    ]

    def __init__(self, session: SessionControls, complete: Callable[[RunCard], RunCard]) -> None:
        super().__init__()
        self._complete = complete
        self._next_card: RunCard | None = None
        self.session = session
        self.newest = session.snapshot()
        self.viewed = self.newest
        self.frozen = False
        self.span_s = SPANS_S[-1]
        self.notice = SHORT_CAUTION
        self.alarm_is_new = False
        self.all_cuts = False
        self._alarms_seen: set[str] = set()
        self._notice_of_session = ""
        self.leaving = False

    def look(self) -> None:
        """Show the newest moment."""
        raise NotImplementedError

    def take_newest(self) -> None:
        """Take the session's newest moment, and with it what it has to say."""
        self.newest = self.session.snapshot()
        if not self.frozen:
            self.viewed = self.newest
        if self.newest.notice != self._notice_of_session and not self.leaving:
            self.notice = self._notice_of_session = self.newest.notice
        alarms = {f"{alarm.kind} {alarm.where}" for alarm in self.newest.alarms}
        self._alarms_seen &= alarms
        self.alarm_is_new = bool(alarms - self._alarms_seen)

    def leave(self) -> None:
        """Say that the recording is being saved and take no more orders."""
        self.leaving = True
        self.frozen = False
        saving = self.newest.recording.state in {RecordingState.RUNNING, RecordingState.SAVING}
        if self.newest.recording.state is RecordingState.RUNNING:
            self._order(self.session.stop_recording)
        self.notice = "Saving the recording. Please wait." if saving else "Letting go of the logger."
        self.look()

    def say(self, text: str) -> None:
        """Show one line to the operator."""
        if not self.leaving:
            self.notice = text
            self.look()

    def _order(self, order: Callable[[], None]) -> None:
        """Pass an order on; what forbids it is shown, never raised."""
        try:
            order()
        except CaptureError as error:
            self.notice = str(error)

    def _records(self) -> bool:
        return self.newest.recording.state is RecordingState.RUNNING

    def action_record(self) -> None:
        """Start a recording, or stop the one that runs."""
        state = self.newest.recording.state
        if self.leaving or state is RecordingState.SAVING:
            self.say("Still saving: the next recording can start when it is done.")
        elif state is RecordingState.RUNNING:
            self._order(self.session.stop_recording)
        elif self.newest.link.state is LinkState.STREAMING:
            self._order(self.session.start_recording)
        else:
            self.say("Nothing to record: no samples come from the logger.")
        self.look()

    def action_mark(self) -> None:
        """Mark this moment, if there is a recording to mark."""
        if self._records():
            self._order(self.session.mark)
            self.look()
        else:
            self.say("A mark belongs to a recording: press r to start one.")

    def action_reading(self) -> None:
        """Ask what a gauge shows, if there is a recording to keep it in."""
        if self._records():
            self.app.push_screen(ReadingForm(), self._take_reading)
        else:
            self.say("A reading belongs to a recording: press r to start one.")

    def _take_reading(self, reading: TypedReading | None) -> None:
        if reading is not None:
            self._order(lambda: self.session.reading(reading))
            self.look()

    def action_note(self) -> None:
        """Ask for a note, if there is a recording to keep it in."""
        if self._records():
            self.app.push_screen(LineForm("A note on the run", label="note"), self._take_note)
        else:
            self.say("A note belongs to a recording: press r to start one.")

    def _take_note(self, note: str | None) -> None:
        if note is not None:
            self._order(lambda: self.session.note(note))
            self.look()

    def action_zero(self) -> None:
        """Ask which channel is to be zeroed."""
        if self.newest.link.state is not LinkState.STREAMING:
            self.say("Nothing to zero: no samples come from the logger.")
        elif zeroable(self.newest):
            self.app.push_screen(ZeroForm(self.newest), self._take_zero)
        else:
            self.say("No channel that could be zeroed: this works for current, force, torque, pressure.")

    def _take_zero(self, column: str | None) -> None:
        if column is not None:
            self._order(lambda: self.session.zero(column))
            self.look()

    def action_card(self) -> None:
        """Ask for the run card of the next run."""
        card = self._next_card or self.newest.card or RunCard()
        self.app.push_screen(CardForm(card, "Run card of the next run"), self.take_card)

    def take_card(self, card: RunCard | None) -> None:
        """Let the next run carry `card`."""
        if card is not None:
            self._next_card = self._complete(card)
            self._order(lambda: self.session.use_card(self._next_card or card))
            self.look()

    def prepare(self, card: RunCard) -> None:
        """Get ready for the next run: its card, and a load may start it."""
        self.take_card(card)
        self._order(lambda: self.session.arm(armed=True))
        self.look()

    def action_cuts(self) -> None:
        """Show all cuts in place of the chart, or the chart again."""
        self.all_cuts = not self.all_cuts
        self.say("All cuts; c brings the chart back." if self.all_cuts else "The chart is back.")

    def action_arm(self) -> None:
        """Let the next load start a recording, or not."""
        self._order(lambda: self.session.arm(armed=not self.newest.recording.armed))
        self.look()

    def action_seen(self) -> None:
        """Stop the flashing: the alarm has been seen, and stays in its line while it stands."""
        self._alarms_seen = {f"{alarm.kind} {alarm.where}" for alarm in self.newest.alarms}
        self.remove_class("-flash")
        self.say("Seen." if self._alarms_seen else "There is no alarm.")

    def action_freeze(self) -> None:
        """Hold the view still, or let it follow again."""
        self.frozen = not self.frozen
        self.say("The view stands still. Space lets it go on." if self.frozen else "The view follows.")

    def action_span(self, step: int) -> None:
        """Show a longer or a shorter stretch of time."""
        index = min(max(SPANS_S.index(self.span_s) + step, 0), len(SPANS_S) - 1)
        self.span_s = SPANS_S[index]
        self.say(f"The chart shows {self.span_s:.0f} s.")
