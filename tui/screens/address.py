"""Asks for the address of a logger, typed by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Footer, Input, Static

from capture.errors import InputError
from capture.links.address import open_address
from tui.formatting import plain

if TYPE_CHECKING:
    from textual.app import ComposeResult

EXAMPLE: Final = "serial:/dev/ttyACM0"
_EXPLAINED: Final = (
    "The address of a logger: serial:/dev/ttyACM0, or with its speed serial:/dev/ttyUSB0?baud=500000. "
    "The virtual one: sim:polesaw?pack=wren."
)
_EMPTY: Final = f"Nothing is typed yet. Type an address such as {EXAMPLE}."
_LONGEST: Final = 300


class AddressScreen(ModalScreen[str | None]):
    """Returns an address that names a link, or None where nothing is to be opened."""

    BINDINGS: ClassVar[list[BindingType]] = [
        # before the line that is typed in, which would take the key and not show it
        Binding(
            "enter",
            "open",
            "Open",
            key_display="enter",
            id="address.open",
            tooltip="Open this address",
            priority=True,
        ),
        Binding("escape", "back", "Back", key_display="esc", id="address.back", tooltip="Open nothing"),
    ]

    def compose(self) -> ComposeResult:
        """Yield the explanation, the line to type in, and what is wrong with it."""
        with Vertical(classes="dialog"):
            yield Static("OPEN AN ADDRESS", classes="title", markup=False)
            yield Static(_EXPLAINED, markup=False)
            yield Input(placeholder=EXAMPLE, max_length=_LONGEST, id="address")
            yield Static(id="wrong", markup=False)
        yield Footer()

    def on_input_changed(self) -> None:
        """Take back what was said of the line before."""
        self.query_one("#wrong", Static).update("")

    def action_open(self) -> None:
        """Leave with the address, or say in a line what is wrong with it."""
        text = self.query_one("#address", Input).value.strip()
        try:
            open_address(text)
        except InputError as error:
            self.query_one("#wrong", Static).update(f"▲ {plain(str(error)) if text else _EMPTY}")
        else:
            self.dismiss(text)

    def action_back(self) -> None:
        """Leave without an address."""
        self.dismiss(None)
