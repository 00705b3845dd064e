"""The form of a zero: which channel reads nothing now, and what it reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from capture.quantities import UNIT_LABELS
from tui.formatting import MISSING, number, plain, quantity_words
from tui.widgets.action_text import ActionText

if TYPE_CHECKING:
    from textual.app import ComposeResult

    from capture.engine.snapshot import ChannelFace, Snapshot

#: Units of which nothing can be had by letting go: no current, no force, no torque, no weight, no pressure.
ZEROABLE: Final = frozenset({"A", "N", "N.m", "kg", "Pa"})
CAUTION: Final = (
    "Let the tool stand still and take the load off the sensor first: what it reads now is taken from all "
    "that it reads from now on."
)


def zeroable(snapshot: Snapshot) -> list[ChannelFace]:
    """Return the channels that can be zeroed on the bench."""
    return [channel for channel in snapshot.channels if channel.unit in ZEROABLE]


class ZeroForm(ModalScreen[str | None]):
    """Asks which channel to zero; dismisses with its column."""

    DEFAULT_CSS = """
    ZeroForm { align: center middle; background: $background 70%; }
    ZeroForm > #form {
        width: 60; max-width: 100%; height: auto; max-height: 100%;
        background: $panel; color: $foreground; border: round $foreground; padding: 0 1;
    }
    ZeroForm #title { text-style: bold; }
    ZeroForm OptionList, ZeroForm OptionList:focus {
        height: auto; max-height: 10; background: $background; border: none;
    }
    ZeroForm OptionList > .option-list--option-highlighted {
        color: $background; background: $foreground; text-style: bold;
    }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", id="zero.back", tooltip="Leave the form; nothing is zeroed"),
    ]

    def __init__(self, snapshot: Snapshot) -> None:
        super().__init__()
        self._snapshot = snapshot

    def compose(self) -> ComposeResult:
        """Yield the form from the top."""
        with Vertical(id="form"):
            yield Static("Zero which channel?", id="title")
            yield Static(CAUTION)
            yield OptionList(*map(self._option, zeroable(self._snapshot)), markup=False)
            yield ActionText("esc", "back", "screen.back", id="back")

    def on_mount(self) -> None:
        """Mark the first channel."""
        self.query_one(OptionList).focus()
        self.query_one(OptionList).highlighted = 0

    def _option(self, channel: ChannelFace) -> Option:
        reading = self._snapshot.latest.get(channel.column)
        unit = UNIT_LABELS.get(channel.unit, plain(channel.unit))
        shown = MISSING if reading is None else f"{number(reading, 3)} {unit}"
        return Option(Content(f"{quantity_words(channel.quantity)}   reads {shown}"), id=channel.column)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Take the channel that was chosen."""
        self.dismiss(event.option.id)

    def action_back(self) -> None:
        """Leave without."""
        self.dismiss(None)
