"""The first screen: which loggers are in reach, what was recorded, and what to take care of.

All that takes time happens in threads of its own; they tell what they found in messages.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Footer, Static
from textual.worker import get_current_worker

from capture.links.finding import VIRTUAL, FoundLogger
from tui.formatting import plain, progress_bar
from tui.screens.address import AddressScreen
from tui.screens.advice import CAUTIONS, COMPACT_CAUTION, SHORT_CAUTION
from tui.screens.choices import Shelf, logger_rows, recording_rows
from tui.screens.help import HelpScreen
from tui.widgets.choice_list import ChoiceList
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.state_words import FINISHING, LOOKED, LOOKING
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from pathlib import Path

    from textual.app import ComposeResult
    from textual.events import Resize
    from textual.widgets import OptionList

    from tui.screens.help import Section
    from tui.workbench import Workbench

_WIDE: Final = 110
_FULL_KEYS_WIDTH: Final = 90
_ROOM_FOR_CAUTION: Final = (70, 22)


@dataclass
class LoggerChosen(Message):
    """A logger is to be opened."""

    address: str


class DemoChosen(Message):
    """The virtual logger is to be opened."""


@dataclass
class RecordingChosen(Message):
    """A recording is to be opened."""

    path: Path


@dataclass
class LoggerAnswered(Message):
    """Something in reach has told what it is, or had its time."""

    found: FoundLogger


class LookingEnded(Message):
    """All that is in reach has told."""


@dataclass
class RecoveryWentOn(Message):
    """An interrupted recording is finished this far."""

    bar: str


@dataclass
class ShelfRead(Message):
    """The folder has been looked through."""

    shelf: Shelf


class _Stopped(Exception):  # noqa: N818  the name says what happened
    """The operator leaves: recovery ends, and the journal is kept for the next time."""


class FirstScreen(Screen[None]):
    """Loggers in reach and recordings of the folder."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "d", "demo", "Demo", id="first.demo", tooltip="Open the virtual logger: no hardware is needed"
        ),
        Binding("o", "address", "Address", id="first.address", tooltip="Type the address of a logger"),
        Binding("s", "look", "Look", id="first.look", tooltip="Look for loggers again"),
        Binding("c", "cautions", "Cautions", id="first.cautions", tooltip="All that is to be taken care of"),
    ]
    SECTIONS: ClassVar[tuple[Section, ...]] = (
        (
            "Loggers",
            (
                ("●", "it answered: its name, firmware and channels are its own words"),
                ("▲", "it could not be asked, or no logger is there: the line below says why"),
                ("○", "a port that is no USB port is not asked: what hangs on it may not bear it"),
                (LOOKING.label, LOOKING.meaning),
                (LOOKED.label, LOOKED.meaning),
            ),
        ),
        (
            "Recordings",
            (
                ("a row", "when it began, pack, kind of run, how long, samples lost, how it went"),
                ("▲ interrupted", "the run was cut off; what had reached the disk is all there"),
                (FINISHING.label, FINISHING.meaning),
            ),
        ),
    )

    def __init__(self, workbench: Workbench) -> None:
        super().__init__()
        self._workbench = workbench
        self._loggers: dict[str, FoundLogger] = {}
        self._looking = False
        self._shelf = Shelf(workbench.folder)
        self._leaving = False

    def compose(self) -> ComposeResult:
        """Yield the caution, the list of all that can be opened, and what is being done."""
        with Container(id="first"):
            yield Static(id="caution", markup=False)
            yield ChoiceList(id="choices")
        yield TextLine(id="recovery")
        yield TextLine([Piece("Choose with the arrow keys, open with Enter; or click.")], id="notice")
        yield Footer()

    def on_mount(self) -> None:
        """Show that nothing is known yet."""
        self.query_one("#recovery").display = False
        self.query_one(ChoiceList).focus()
        self._show()

    def on_resize(self, event: Resize) -> None:
        """Put the caution beside the list where there is room, and shorten it where there is little."""
        width, height = event.size.width, event.size.height
        self.set_class(width >= _WIDE, "-wide")
        self.set_class(width < _FULL_KEYS_WIDTH, "-narrow")
        self.query_one(Footer).compact = width < _FULL_KEYS_WIDTH
        least_width, least_height = _ROOM_FOR_CAUTION
        if width >= _WIDE and height >= least_height:
            text = "\n\n".join(CAUTIONS)
        elif width >= least_width and height >= least_height:
            text = COMPACT_CAUTION
        else:
            text = SHORT_CAUTION.replace("press ?", "press c")
        self.query_one("#caution", Static).update(f"! CAUTION  {text}")

    def look_around(self) -> None:
        """Look for loggers, finish what was interrupted, and read the folder."""
        self.action_look()
        self.read_folder()

    def read_folder(self) -> None:
        """Finish what was interrupted, and read what there is."""
        self.run_worker(self._finish_and_read, thread=True, group="shelf", name="read the folder")

    def say(self, text: str) -> None:
        """Say something in the last line but one."""
        self.query_one("#notice", TextLine).show([Piece(plain(text), shrink=Shrink.END)])

    def leave(self) -> None:
        """Take no more orders; what runs in threads is told to end."""
        self._leaving = True
        self.workers.cancel_node(self)
        self.say("Leaving.")

    def _show(self) -> None:
        rows = logger_rows(self._loggers.values(), looking=self._looking)
        self.query_one(ChoiceList).show([*rows, *recording_rows(self._shelf)])

    # Loggers

    def action_look(self) -> None:
        """Look for loggers, if nobody does yet."""
        if self._looking or self._leaving:
            return
        self._looking = True
        self._loggers = {}
        self._show()
        self.run_worker(self._look, thread=True, group="looking", name="look for loggers")

    def _look(self) -> None:
        """Find loggers, in a thread: a port may take seconds to answer."""
        for found in self._workbench.find_loggers():
            self.post_message(LoggerAnswered(found))
        self.post_message(LookingEnded())

    def on_logger_answered(self, message: LoggerAnswered) -> None:
        """Show one more logger."""
        self._loggers[message.found.address] = message.found
        self._show()

    def on_looking_ended(self) -> None:
        """Say that all have had their time."""
        self._looking = False
        self._show()

    # Recordings

    def _finish_and_read(self) -> None:
        """Finish interrupted recordings and read the folder, in a thread: both may take long."""
        worker = get_current_worker()
        told = ""

        def progress(done: int, total: int) -> None:
            nonlocal told
            if worker.is_cancelled:
                raise _Stopped
            if (bar := progress_bar(done, total)) != told:
                told = bar
                self.post_message(RecoveryWentOn(bar))

        try:
            finished = self._workbench.recover(progress)
        except _Stopped:
            return
        recordings, unreadable = self._workbench.recordings()
        before = self._shelf.finished
        self.post_message(
            ShelfRead(Shelf(self._shelf.folder, recordings, unreadable, (*before, *finished), read=True))
        )

    def on_recovery_went_on(self, message: RecoveryWentOn) -> None:
        """Show how far an interrupted recording is."""
        line = self.query_one("#recovery", TextLine)
        line.display = True
        line.show(
            [
                Piece(f" {FINISHING.label} ", FINISHING.tone.value),
                Piece(message.bar),
                Piece("a recording that was interrupted"),
            ]
        )

    def on_shelf_read(self, message: ShelfRead) -> None:
        """Show the recordings."""
        self._shelf = message.shelf
        self.query_one("#recovery").display = False
        self._show()

    # What is chosen

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Open the row that was chosen."""
        row = self.query_one(ChoiceList).row_of(event.option)
        chosen = None if row is None or self._leaving else row.chosen
        if isinstance(chosen, FoundLogger):
            virtual = chosen.kind == VIRTUAL
            self.post_message(DemoChosen() if virtual else LoggerChosen(chosen.address))
        elif chosen is not None:
            self.post_message(RecordingChosen(chosen.path))

    def action_demo(self) -> None:
        """Open the virtual logger."""
        self.post_message(DemoChosen())

    def action_address(self) -> None:
        """Ask for an address and open it."""

        def typed(address: str | None) -> None:
            if address is not None:
                self.post_message(LoggerChosen(address))

        self.app.push_screen(AddressScreen(), typed)

    def action_cautions(self) -> None:
        """Show all cautions."""
        self.app.push_screen(HelpScreen(()))
