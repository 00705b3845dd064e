"""A figure that takes the focus, so that it can be copied with all its digits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from rich.cells import cell_len
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widget import Widget

from tui.widgets.pieces import Shrink, shortened

if TYPE_CHECKING:
    from textual.geometry import Size

FOCUSED: Final = "▸"


@dataclass(frozen=True, slots=True)
class ShownFigure:
    """A figure of a run: its name, its text as it is read, and as it is copied; `alarm` draws the eye.

    `precise` is the text with the uncertainty, empty where there is none: shown where there is room.
    """

    name: str
    text: str
    copied: str
    alarm: bool = False
    precise: str = ""

    def fitting(self, width: int) -> str:
        """Return the text for `width` cells: with the uncertainty where it fits."""
        return self.precise if self.precise and cell_len(self.precise) <= width else self.text


class FigureCell(Widget, can_focus=True):
    """Name and value: beside one another, or in a roomy screen the value below in a line of its own."""

    DEFAULT_CSS = """
    FigureCell { height: auto; width: 1fr; padding: 0 1 0 0; text-wrap: nowrap; }
    FigureCell.-roomy { padding: 0 1 1 0; }
    FigureCell:focus { text-style: reverse; }
    FigureCell:hover { background: $panel; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "screen.figure(-1)", show=False),
        Binding("right", "screen.figure(1)", show=False),
        Binding("up", "screen.figure_row(-1)", show=False),
        Binding("down", "screen.figure_row(1)", show=False),
    ]

    def __init__(self, figure: ShownFigure) -> None:
        super().__init__()
        self.figure = figure

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:  # noqa: ARG002  Textual's call
        """Return one row, or two where there is room."""
        return 2 if self.has_class("-roomy") else 1

    def render(self) -> Content:
        """Return name and value; the name gives way, never a digit."""
        figure, width = self.figure, self.size.width
        before = f"{FOCUSED if self.has_focus else ' '}{'!' if figure.alarm else ' '} "
        roomy = self.has_class("-roomy")
        text = figure.fitting(width - len(before) - (0 if roomy else cell_len(figure.name) + 1))
        value = (text, "bold $warning" if figure.alarm else "bold")
        if roomy:
            name = shortened(figure.name, width - len(before), Shrink.END)
            return Content.assemble(before, name, "\n", " " * len(before), value)
        name = shortened(figure.name, width - len(before) - cell_len(text) - 1, Shrink.END)
        between = max(1, width - len(before) - cell_len(name) - cell_len(text))
        return Content.assemble(before, name, " " * between, value)
