"""A list of rows to choose from: by arrow keys and Enter, or by a click."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from tui.widgets.pieces import line_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.events import Resize

    from tui.screens.choices import Row


class ChoiceList(OptionList):
    """Shows rows; those that can be chosen have a key, which is the id of their option.

    The first row is marked until somebody moves the mark; then the mark stays with its row, whatever comes.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "enter", "select", "Open", key_display="enter", id="choice.open", tooltip="Open what is marked"
        ),
    ]

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  Textual's name
        super().__init__(id=id, markup=False)
        self._rows: tuple[Row, ...] = ()
        self._marked_by_us: str | None = None

    def show(self, rows: Sequence[Row]) -> None:
        """Show other rows."""
        if self._rows != tuple(rows):
            self._rows = tuple(rows)
            self._draw()

    def on_resize(self, _event: Resize) -> None:
        """Fit the rows to the new width."""
        self._draw()

    def row_of(self, option: Option) -> Row | None:
        """Return the row behind an option."""
        return next((row for row in self._rows if row.key is not None and row.key == option.id), None)

    def _draw(self) -> None:
        marked = self.highlighted_option.id if self.highlighted_option is not None else None
        width = self.scrollable_content_region.width
        options = [
            Option(
                Content("\n").join(line_of(line, width) for line in row.lines),
                id=row.key,
                disabled=row.key is None,
            )
            for row in self._rows
        ]
        self.set_options(options)
        keys = [row.key for row in self._rows]
        first = next((key for key in keys if key is not None), None)
        stays = marked in keys and marked is not None and marked != self._marked_by_us
        if not stays:
            marked = self._marked_by_us = first
        self.highlighted = keys.index(marked) if marked is not None else None
