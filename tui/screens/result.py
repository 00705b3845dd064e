"""The result screen: what a run gave, and what a person adds to it afterwards.

The same screen stands there at once after a run and for any stored recording. What is typed is kept at once
beside the recording; what could not be kept stays on the screen until it is.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Final, TypeVar

from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer, Static

from capture.run_card import NEED_A_REASON, Outcome, RunCard
from capture.storage.amendments import Amendments
from tui.formatting import plain
from tui.screens import result_help
from tui.screens.ask_line import LineForm, ReadingForm
from tui.screens.card_form import CardForm
from tui.screens.keeping import Keeping
from tui.screens.reading_progress import ReadingProgress, SummaryRead
from tui.screens.resistance_reading import SAG_TEST, ResistanceRead, ResistanceReading
from tui.screens.result_view import ResultView
from tui.screens.why import WhyScreen
from tui.widgets.action_text import ActionText
from tui.widgets.figure_cell import FigureCell
from tui.widgets.outcome_bar import OUTCOME_KEYS, OutcomeBar
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from textual.app import ComposeResult
    from textual.events import Resize

    from capture.events import TypedReading
    from capture.summary import Summary
    from tui.workbench import Workbench

_FULL_KEYS_WIDTH: Final = 80
_OUTCOMES_FROM_ROWS: Final = 18
Typed = TypeVar("Typed")
_STILL_READING: Final = "Still reading the recording: this waits until its figures are there."


@dataclass(frozen=True, slots=True)
class NextRun:
    """What the caller is to prepare: a run with this card, without an outcome."""

    card: RunCard


class ResultScreen(Screen[NextRun | None]):
    """The figures of the recording at `path`; `next_run`: it followed a live run, and the next may follow it.

    `samples`, where it is known, is how many rows the recording has: then the progress has an end. `hint` is
    said at first.
    """

    AUTO_FOCUS: ClassVar[str | None] = ""
    SECTIONS = result_help.SECTIONS
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(
                key,
                f"outcome('{key}')",
                outcome.capitalize(),
                show=False,
                id=f"result.outcome-{key}",
                tooltip=f"Say how the run went: {outcome}",
            )
            for key, outcome in OUTCOME_KEYS.items()
        ),
        Binding("n", "note", "Note", id="result.note", tooltip="Write a note on the run"),
        Binding("e", "reading", "Gauge", id="result.reading", tooltip="Enter what a gauge showed"),
        Binding(
            "k", "card", "Card", id="result.card", tooltip="Mend the run card, or fill in the next run's"
        ),
        Binding("K", "mend", "Mend", key_display="K", id="result.mend", tooltip="Mend this run's card"),
        Binding("y", "copy", "Copy", id="result.copy", tooltip="Copy the chosen figure, or the file's path"),
        Binding("w", "why", "Why", id="result.why", tooltip="Resistance, and what it did to the work"),
        Binding("s", "keep_again", "Keep", id="result.keep", tooltip="Try again to keep what was typed"),
        Binding("escape", "back", "Back", key_display="esc", id="result.back", tooltip="Back"),
        # these have their place in the prompt, or need none
        Binding(
            "enter",
            "next_run",
            "Next run",
            show=False,
            priority=True,
            id="result.next",
            tooltip="Prepare the next run, with the same card",
        ),
        Binding(
            "R",
            "redo",
            "Redo",
            show=False,
            key_display="R",
            id="result.redo",
            tooltip="Do this run again; the next card names this recording",
        ),
        Binding(
            "Y",
            "copy_path",
            "Copy path",
            show=False,
            key_display="Y",
            id="result.copy-path",
            tooltip="Copy the file's path",
        ),
        Binding("up", "scroll(-1)", show=False),
        Binding("down", "scroll(1)", show=False),
        Binding("pageup", "scroll(-10)", show=False),
        Binding("pagedown", "scroll(10)", show=False),
    ]
    DEFAULT_CSS = """
    ResultScreen #notice { background: $panel; padding: 0 1; }
    ResultScreen #prompt { height: 1; padding: 0 1; }
    ResultScreen #prompt-title { width: auto; text-style: bold; margin: 0 2 0 0; }
    ResultScreen.-narrow #prompt-title { display: none; }
    ResultScreen OutcomeBar { padding: 0 1; display: none; }
    ResultScreen.-read OutcomeBar { display: block; }
    ResultScreen.-low OutcomeBar { display: none; }
    """

    def __init__(
        self,
        workbench: Workbench,
        path: Path,
        *,
        next_run: bool,
        samples: int | None = None,
        hint: str = "",
    ) -> None:
        super().__init__()
        self.path = path
        self._workbench = workbench
        self._next_run = next_run
        self._samples = samples
        self._hint = hint
        self._summary: Summary | None = None
        self._keeping = Keeping(partial(workbench.amend, path))
        self._told_leaving = False

    def compose(self) -> ComposeResult:
        """Yield file, figures, ways on and keys from the top."""
        yield ResultView(self.path)
        yield ReadingProgress(self._workbench, self.path, self._samples)
        yield ResistanceReading(self._workbench, self.path)
        yield OutcomeBar()
        with Horizontal(id="prompt"):
            yield Static("And now?", id="prompt-title")
            yield ActionText("enter", "next run", "screen.next_run", id="next")
            yield ActionText("k", "its card", "screen.card", id="next-card")
            yield ActionText("R", "redo", "screen.redo", id="redo")
            yield ActionText("esc", "back", "screen.back", id="leave")
        yield TextLine(id="notice")
        yield Footer()

    def on_mount(self) -> None:
        """Say which file it is while it is read."""
        self.query_one("#prompt").display = self._next_run
        self._say(self._hint if self._next_run else "")
        self.query_one(ResultView).show_file()

    def on_resize(self, event: Resize) -> None:
        """Divide the new size."""
        self.query_one(Footer).compact = event.size.width < _FULL_KEYS_WIDTH
        self.set_class(event.size.width < _FULL_KEYS_WIDTH, "-narrow")
        self.set_class(event.size.height < _OUTCOMES_FROM_ROWS, "-low")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002  Textual's call
        """Return whether a key is there: some only after a live run, one only while something is unkept."""
        if action in {"next_run", "redo", "mend"}:
            return self._next_run
        if action == "keep_again":
            return self._keeping.is_behind
        return True

    def on_summary_read(self, message: SummaryRead) -> None:
        """Show the figures."""
        self._summary = message.summary
        self.query_one(ReadingProgress).display = False
        self.add_class("-read")
        self._show()
        if message.summary.card.kind == SAG_TEST:
            self.query_one(ResistanceReading).begin()
        if message.summary.card.outcome is None:
            self._say(f"How did it go? 1 to 5 says it. {self._hint}".strip())

    def on_resistance_read(self, message: ResistanceRead) -> None:
        """Show what a sag test is for."""
        self.query_one(ResultView).show_first(message.figures)

    # what is typed

    def action_outcome(self, key: str) -> None:
        """Say how the run went; some outcomes need the reason."""
        outcome = OUTCOME_KEYS[key]
        if self._summary is None:
            self._say(_STILL_READING)
        elif outcome in NEED_A_REASON:
            title = "Why is the run void?" if outcome is Outcome.VOID else "What failed on the rig?"
            before = self._summary.card
            initial = before.outcome_reason if before.outcome is outcome else ""
            form = LineForm(title, label="reason", initial=initial)
            self.app.push_screen(form, _given(partial(self._keep_outcome, outcome)))
        else:
            self._keep_outcome(outcome, "")

    def _keep_outcome(self, outcome: Outcome, reason: str) -> None:
        self._keep(Amendments({"outcome": outcome, "outcome_reason": reason}))

    def action_note(self) -> None:
        """Ask for a note."""
        if self._is_read():
            form = LineForm("A note on the run", label="note")
            self.app.push_screen(form, _given(self._keep_note))

    def _keep_note(self, note: str) -> None:
        self._keep(Amendments(notes=(note,)))

    def action_reading(self) -> None:
        """Ask for the reading of a gauge."""
        if self._is_read():
            self.app.push_screen(ReadingForm(), _given(self._keep_reading))

    def _keep_reading(self, reading: TypedReading) -> None:
        self._keep(Amendments(readings=(reading,)))

    def action_mend(self) -> None:
        """Ask for this run's card anew."""
        if self._summary is None:
            self._say(_STILL_READING)
            return
        before = self._summary.card
        form = CardForm(before, f"Run card of {self.path.name}")
        self.app.push_screen(form, _given(partial(self._keep_card, before)))

    def _keep_card(self, before: RunCard, card: RunCard) -> None:
        changed: dict[str, Any] = {
            field.name: getattr(card, field.name)
            for field in fields(RunCard)
            if getattr(card, field.name) != getattr(before, field.name)
        }
        if changed:
            self._keep(Amendments(changed))
        else:
            self._say("Nothing was changed.")

    def _keep(self, added: Amendments) -> None:
        """Show what was typed, and keep it with all that could not be kept before."""
        if self._summary is None:
            return
        self._keeping.add(added)
        self._summary = self._summary.amended_by(added)
        self._show()
        self.action_keep_again()

    def action_keep_again(self) -> None:
        """Keep what is not kept yet."""
        self.run_worker(self._keep_all(), group="keep")

    async def _keep_all(self) -> None:
        why = await self._keeping.keep()
        if why is None:
            self._told_leaving = False
            self._say("Kept beside the recording.")
        else:
            self._say(f"! Not kept yet, s tries again. {why}")
        self.refresh_bindings()

    # ways on

    def action_card(self) -> None:
        """Fill in the next run's card after a live run, else mend this one's."""
        if self._summary is None:
            self._say(_STILL_READING)
        elif self._next_run:
            self.app.push_screen(CardForm(self._carried_over(), "Run card of the next run"), self._go_on)
        else:
            self.action_mend()

    def action_next_run(self) -> None:
        """Leave for the next run, with the card carried over."""
        if self._is_read():
            self._go_on(self._carried_over())

    def action_redo(self) -> None:
        """Leave for the same run again; ask first whether this one is void."""
        if self._is_read():
            self.app.push_screen(
                LineForm(
                    "Redo this run. Is the present one void? Then type why; left empty it counts as it is.",
                    label="void because",
                    required=False,
                ),
                self._redo,
            )

    def _redo(self, reason: str | None) -> None:
        if reason is None:
            return
        if reason:
            self._keep_outcome(Outcome.VOID, reason)
        self._go_on(replace(self._carried_over(), repeats=self.path.name))

    def _carried_over(self) -> RunCard:
        card = RunCard() if self._summary is None else self._summary.card
        return replace(card, outcome=None, outcome_reason="", repeats=None)

    def _go_on(self, card: RunCard | None) -> None:
        if card is not None:
            self._leave(NextRun(card))

    def action_back(self) -> None:
        """Leave; nothing is prepared."""
        self._leave(None)

    def _leave(self, result: NextRun | None) -> None:
        self.run_worker(self._leave_when_kept(result), group="leave", exclusive=True)

    async def _leave_when_kept(self, result: NextRun | None) -> None:
        """Leave when all is kept; what cannot be kept is said once before it is given up."""
        why = await self._keeping.keep()
        if why is not None and not self._told_leaving:
            self._told_leaving = True
            self._say(f"! Not kept yet: s tries again, the same key once more gives it up. {why}")
            self.refresh_bindings()
        else:
            self.dismiss(result)

    def action_why(self) -> None:
        """Show resistance and work."""
        if self._is_read():
            self.app.push_screen(WhyScreen(self._workbench, self.path))

    # the screen

    def _show(self) -> None:
        if self._summary is not None:
            self.query_one(ResultView).show(self._summary)
            self.query_one(OutcomeBar).show(self._summary.card.outcome)
            self.refresh_bindings()

    def _is_read(self) -> bool:
        if self._summary is None:
            self._say(_STILL_READING)
        return self._summary is not None

    def _say(self, words: str) -> None:
        self.query_one("#notice", TextLine).show([Piece(plain(words), shrink=Shrink.END)])

    def action_copy(self) -> None:
        """Copy the figure that has the focus, else where the file is."""
        cell = self.focused
        if isinstance(cell, FigureCell):
            self._copy(cell.figure.copied)
        else:
            self.action_copy_path()

    def action_copy_path(self) -> None:
        """Copy where the file is."""
        self._copy(str(self.path.resolve()))

    def _copy(self, words: str) -> None:
        self.app.copy_to_clipboard(words)
        self._say(f"Copied: {words}")

    def action_figure(self, step: int) -> None:
        """Go to the next figure, or the one before."""
        self.query_one(ResultView).go(step)

    def action_figure_row(self, rows: int) -> None:
        """Go to the figure below, or above."""
        self.query_one(ResultView).go_row(rows)

    def action_scroll(self, rows: int) -> None:
        """Scroll the figures."""
        self.query_one("#result", VerticalScroll).scroll_relative(y=rows, animate=False)


def _given(take: Callable[[Typed], None]) -> Callable[[Typed | None], None]:
    """Return what takes the result of a form; nothing is done where the form was left."""

    def result(typed: Typed | None) -> None:
        if typed is not None:
            take(typed)

    return result
