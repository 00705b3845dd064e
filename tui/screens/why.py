"""The electrical why of a run: what the pack lost for each ampere, and what that did to the tool's work."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from rich.text import Text
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Footer, ProgressBar, Static
from textual.worker import get_current_worker

from capture.errors import CaptureError
from tui.formatting import plain
from tui.screens.advice import CAUTIONS
from tui.widgets.interval_rows import DOT
from tui.widgets.pieces import Piece, Shrink
from tui.widgets.text_line import TextLine

if TYPE_CHECKING:
    from pathlib import Path

    from textual.app import ComposeResult
    from textual.events import Resize

    from tui.screens.help import Section as HelpSection
    from tui.screens.why_sections import Section
    from tui.workbench import Workbench

_FULL_KEYS_WIDTH: Final = 80
_MARGIN: Final = 4
_READING: Final = "Working out resistance and work: it takes some seconds"
HELP: Final[tuple[HelpSection, ...]] = (
    (
        "What it says",
        (
            ("at once (ohmic)", "what the pack loses for each ampere in the very moment of a step"),
            ("1 s after a step", "what it loses then; the fall with the charge drawn is no part of it"),
            ("groups", "each group of cells, where the logger has their voltages: they should be alike"),
            ("joints", "what the pack has beyond the sum of its groups: straps, welds, leads"),
            ("speed", "mean of each cut from contact to severance, without load where there is no work"),
            ("motor line", "rpm for each volt, and what the tool itself loses: parts voltage from load"),
            ("left over", "neither voltage nor load: tool, accessory or feed changed"),
        ),
    ),
    ("Signs", ((DOT, "the value"), ("├─┤", "its interval, about 95 %; — cannot tell"))),
)


class WhyRead(Message):
    """The sections are there."""

    def __init__(self, sections: list[Section]) -> None:
        super().__init__()
        self.sections = sections


class WhyFailed(Message):
    """They cannot be told; `why` is the line that says so."""

    def __init__(self, why: str) -> None:
        super().__init__()
        self.why = why


class WhyScreen(Screen[None]):
    """Resistance and work of the recording at `path`, with plots; worked out in a thread."""

    AUTO_FOCUS: ClassVar[str | None] = ""
    SECTIONS: ClassVar[tuple[HelpSection, ...]] = HELP
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,w", "back", "Back", key_display="esc", id="why.back", tooltip="Back to the figures"),
        Binding("up", "scroll(-1)", "Up", id="why.up", tooltip="Scroll up"),
        Binding("down", "scroll(1)", "Down", id="why.down", tooltip="Scroll down"),
        Binding("pageup", "scroll(-10)", show=False),
        Binding("pagedown", "scroll(10)", show=False),
    ]
    DEFAULT_CSS = """
    WhyScreen #why-file { text-style: bold; padding: 0 1; }
    WhyScreen #why { height: 1fr; padding: 0 1; scrollbar-color: $foreground; scrollbar-background: $panel; }
    WhyScreen Bar > .bar--bar { color: $foreground; background: $panel; }
    WhyScreen Bar > .bar--indeterminate { color: $foreground; background: $panel; }
    WhyScreen #why-words { height: auto; }
    """

    def __init__(self, workbench: Workbench, path: Path) -> None:
        super().__init__()
        self._workbench = workbench
        self._path = path
        self._sections: list[Section] = []

    def compose(self) -> ComposeResult:
        """Yield the file's name, the sections, and keys."""
        yield TextLine(id="why-file")
        with VerticalScroll(id="why", can_focus=False):
            yield ProgressBar(None, show_eta=False, show_percentage=False)
            yield Static(_READING, id="why-words", markup=False)
        yield Footer()

    def on_mount(self) -> None:
        """Begin to work it out."""
        name = Piece(plain(self._path.name), shrink=Shrink.MIDDLE)
        self.query_one("#why-file", TextLine).show([Piece("Why "), name])
        self.run_worker(self._read, thread=True)

    def on_resize(self, event: Resize) -> None:
        """Draw for the new width."""
        self.query_one(Footer).compact = event.size.width < _FULL_KEYS_WIDTH
        self._draw(event.size.width)

    def _read(self) -> None:
        from tui.screens.why_sections import why_sections

        worker = get_current_worker()
        try:
            told = why_sections(self._workbench.resistance(self._path), self._workbench.work(self._path))
            message: Message = WhyRead(told)
        except CaptureError as error:
            message = WhyFailed(str(error))
        if not worker.is_cancelled:
            self.post_message(message)

    def on_why_read(self, message: WhyRead) -> None:
        """Show the sections."""
        self.query_one(ProgressBar).display = False
        self._sections = message.sections
        self._draw(self.size.width)

    def on_why_failed(self, message: WhyFailed) -> None:
        """Say why there are none."""
        self.query_one(ProgressBar).display = False
        self.query_one("#why-words", Static).update(f"! {plain(message.why)}\n\nEscape goes back.")

    def _draw(self, width: int) -> None:
        if not self._sections:
            return
        text = Text()
        for section in self._sections:
            text.append(f"{section.title}\n", "bold underline")
            text.append("\n".join(section.lines(width - _MARGIN)) + "\n\n")
        text.append(CAUTIONS[-1])
        self.query_one("#why-words", Static).update(text)

    def action_back(self) -> None:
        """Leave."""
        self.dismiss(None)

    def action_scroll(self, rows: int) -> None:
        """Scroll the sections."""
        self.query_one("#why", VerticalScroll).scroll_relative(y=rows, animate=False)
