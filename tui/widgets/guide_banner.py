"""The banner of a guided test: what to do next, in letters that are read at arm's length."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, Final

from textual.content import Content
from textual.widget import Widget

from tui.widgets.block_letters import letter_lines, letter_rows
from tui.widgets.pieces import Piece, Shrink, line_of

if TYPE_CHECKING:
    from textual.geometry import Size

    from tui.guide_words import GuideWords

#: The order, and two lines of what belongs to it, a caution perhaps.
_LINES: Final = 3
#: A terminal from so many rows on has room for letters of one, and of twice their size.
_LETTERS_FROM: Final = 18
_LARGE_FROM: Final = 36
_LARGE_WIDTH: Final = 100


class GuideBanner(Widget):
    """The order of the moment; turned over while the person is to act, and told by words and sign."""

    DEFAULT_CSS = """
    GuideBanner { height: auto; padding: 0 1; border-left: thick $foreground; }
    GuideBanner.-acts { background: $foreground; color: $background; }
    """

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002  Textual's name for it
        super().__init__(id=id)
        self._words: GuideWords | None = None
        self._caution = ""
        self._scale = 1
        self.display = False

    def show(self, words: GuideWords | None, caution: str = "") -> None:
        """Show other words, and a caution below them; the banner is not there without any."""
        if (words, caution) == (self._words, self._caution):
            return
        self._words, self._caution = words, caution
        self.display = words is not None
        self.set_class(words is not None and words.acts, "-acts")
        self.refresh()

    def rows_in(self, width: int, height: int) -> int:
        """Take the size that fits a terminal; return how many rows that is, none without words."""
        scale = 0 if height < _LETTERS_FROM else 2 if height >= _LARGE_FROM and width >= _LARGE_WIDTH else 1
        if scale != self._scale:
            self._scale = scale
            self.refresh(layout=True)
        return self._rows if self.display else 0

    @property
    def _rows(self) -> int:
        return _LINES + (letter_rows(self._scale) if self._scale else 0)

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:  # noqa: ARG002  Textual's call
        """Return the rows of letters, order and what belongs to it."""
        return self._rows

    def render(self) -> Content:
        """Return the rows."""
        words, room = self._words, max(self.size.width, 1)
        if words is None:
            return Content("")
        letters = [Content(row) for row in letter_lines(words.large, self._scale)] if self._scale else []
        order = line_of([Piece(words.sign), Piece(words.headline, "bold", Shrink.END)], room)
        told = [words.detail, self._caution] if self._caution else wrap(words.detail, room)[: _LINES - 1]
        below = [line_of([Piece(text, shrink=Shrink.END)], room) for text in told]
        return Content("\n").join([*letters, order, *below])
