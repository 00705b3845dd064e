"""A tile: one quantity in large digits, and what belongs to it in small ones below."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from textual.content import Content
from textual.widget import Widget

from tui.widgets.pieces import Piece, line_of
from tui.widgets.segment_digits import SIZES, DigitSize, digit_lines

if TYPE_CHECKING:
    from textual.geometry import Size

#: Digits are placed against the right of a field as wide as this, so that the point never moves.
_FIELD = "88.88"
_LEAST_FIELD = 17


@dataclass(frozen=True, slots=True)
class Detail:
    """A small figure: its name in full, its name for a narrow tile, and the text of its value."""

    name: str
    short: str
    value: str


@dataclass(frozen=True, slots=True)
class TileFigures:
    """What a tile shows. `stale` is empty, or says for how long the large figure has not changed."""

    quantity: str
    unit: str
    digits: str
    details: tuple[Detail, ...] = ()
    stale: str = ""


class FigureTile(Widget):
    """One quantity of the moment; its size is given by the screen, so that all tiles are alike."""

    def __init__(self, figures: TileFigures, *, id: str | None = None) -> None:  # noqa: A002  Textual's name for it
        super().__init__(id=id)
        self.figures = figures
        self.set_class(bool(figures.stale), "-stale")
        self._digit_size = SIZES[0]
        self._details = 0

    def show(self, figures: TileFigures) -> None:
        """Show other figures; drawn again only when they differ."""
        if figures != self.figures:
            self.figures = figures
            self.set_class(bool(figures.stale), "-stale")
            self.refresh()

    def resize_to(self, digit_size: DigitSize, details: int) -> None:
        """Use other digits and another number of small figures."""
        if (digit_size, details) != (self._digit_size, self._details):
            self._digit_size, self._details = digit_size, details
            self.refresh(layout=True)

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:  # noqa: ARG002  Textual's call
        """Return the rows of title, digits and small figures."""
        return 1 + self._digit_size.rows + self._details

    def render(self) -> Content:
        """Return the lines of the tile."""
        figures, size = self.figures, self._digit_size
        room = max(self.size.width, 1)
        field = min(room, max(size.columns(_FIELD), _LEAST_FIELD))
        title = line_of(self._title(room), room)
        digits = [Content(line) for line in _digit_lines(figures.digits, size, room)]
        details = [_detail_line(detail, field) for detail in figures.details[: self._details]]
        return Content("\n").join([title, *digits, *details])

    def _title(self, room: int) -> list[Piece]:
        """Return unit and name; without rows for small figures the first of them takes the name's place."""
        figures = self.figures
        unit, name = Piece(figures.unit, "bold"), Piece(figures.quantity)
        if figures.stale:
            return [unit, Piece(f"! {figures.stale}", "bold"), name]
        if self._details or not figures.details:
            return [unit, name]
        first = figures.details[0]
        text = f"{first.short} {first.value.removesuffix(' ' + figures.unit)}".strip()
        return [unit, Piece(text) if len(figures.unit) + 2 + len(text) <= room else name]


def _digit_lines(text: str, size: DigitSize, room: int) -> list[str]:
    """Return the large digits; without room for them the number in plain ones: half a number is a lie."""
    if size.columns(text) <= room:
        return [line.rjust(min(room, size.columns(_FIELD))) for line in digit_lines(text, size)]
    return [text, *[""] * (size.rows - 1)]


def _detail_line(detail: Detail, field: int) -> Content:
    """Return name and value at the two ends of the field."""
    name = detail.name if len(detail.name) + len(detail.value) < field else detail.short
    return Content.assemble(name, " " * max(1, field - len(name) - len(detail.value)), (detail.value, "bold"))
