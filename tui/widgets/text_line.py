"""One row of the screen that shows pieces; it is drawn again only when they change."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.widget import Widget

from tui.widgets.pieces import Piece, line_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.content import Content


class TextLine(Widget):
    """A line of pieces. Texts are shown as they are, never read as markup."""

    DEFAULT_CSS = """
    TextLine { height: 1; width: 1fr; }
    """

    def __init__(self, pieces: Sequence[Piece] = (), *, id: str | None = None) -> None:  # noqa: A002  Textual's name
        super().__init__(id=id)
        self.pieces = tuple(pieces)

    def show(self, pieces: Sequence[Piece]) -> None:
        """Show other pieces."""
        if self.pieces != tuple(pieces):
            self.pieces = tuple(pieces)
            self.refresh()

    def render(self) -> Content:
        """Return the line in the width there is."""
        return line_of(self.pieces, self.size.width)
