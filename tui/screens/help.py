"""The help screen: keys, what each figure and each state word means, and the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from rich.table import Table
from rich.text import Text
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer, Static

from tui.screens.advice import CAUTIONS
from tui.widgets.chart_picture import GAP_SIGN, PROVISIONAL_SIGN
from tui.widgets.state_words import FROZEN, LINK_WORDS, PROVISIONAL, RECORDING_WORDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.app import ComposeResult

FIGURES: Final = (
    ("V  voltage", "mean over the latest 0.2 s, where the logger senses it"),
    ("A  current", "the same mean; positive while the pack discharges"),
    ("W  power", "as the logger measures it, else the mean of voltage times current, sample by sample"),
    ("Wh energy", "net at the sensing point: discharged minus returned"),
    ("sag below rest", "rest voltage minus the voltage now"),
    ("lowest", "the lowest single sample of the voltage"),
    ("drop from rest", "rest voltage minus the lowest voltage; discharge is part of it"),
    ("rest voltage", "the voltage before the first load"),
    ("peak", "the highest single sample of current or power"),
    ("charge", "net at the sensing point: discharged minus returned"),
    ("discharged", "energy that went out of the pack (out)"),
    ("returned", "energy that braking fed back into it (back)"),
    ("to cut-off", "time until the loaded pack reaches its cut-off at the present work (left): 90 % range"),
    ("cuts", "stretches of work between idle stretches"),
    ("run time", "of the recording; since connecting while nothing is recorded"),
    ("waiting for", "samples that are missing and have been asked for again"),
    ("recovered", "samples that came when they were asked for again"),
    ("lost", "samples that the logger took and that never arrived"),
    ("rejected", "frames that arrived damaged"),
    ("disk", "how long the disk lasts at this rate"),
    ("—", "cannot be told from what was measured"),
)

CHART: Final = (
    ("trace", "the lowest and the highest sample of each column: no peak is left out"),
    (f"{GAP_SIGN} on the axis", "samples are missing there"),
    (f"{PROVISIONAL_SIGN} on the axis", "provisional: earlier samples may yet come"),
    ("numbered line", "a mark"),
)

_NAME_WIDTH: Final = 16


class HelpScreen(Screen[None]):
    """All that the live screen shows, explained. `keys` pairs the face of a key with what it does."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "escape,question_mark,f1",
            "app.pop_screen",
            "Back",
            key_display="esc",
            id="help.back",
            tooltip="Back",
        ),
    ]

    def __init__(self, keys: Sequence[tuple[str, str]]) -> None:
        super().__init__()
        self._keys = keys

    def compose(self) -> ComposeResult:
        """Yield the sections from the top."""
        states = [*LINK_WORDS.values(), *RECORDING_WORDS.values(), PROVISIONAL, FROZEN]
        with VerticalScroll(id="help"):
            yield from help_section("Keys (each can also be clicked in the last line)", self._keys)
            yield from help_section("Figures", FIGURES)
            yield from help_section("Chart", CHART)
            yield from help_section("States", [(state.label, state.meaning) for state in states])
            yield from help_section("Cautions", [("!", caution) for caution in CAUTIONS], name_width=2)
        yield Footer()

    def on_mount(self) -> None:
        """Let the arrow keys scroll at once."""
        self.query_one("#help").focus()


def help_section(
    title: str, rows: Iterable[tuple[str, str]], name_width: int = _NAME_WIDTH
) -> Iterable[Static]:
    """Yield a title and its rows: name, meaning."""
    yield Static(title, classes="title", markup=False)
    table = Table.grid(padding=(0, 1))
    table.add_column(width=name_width, no_wrap=True)
    table.add_column(ratio=1)
    for name, meaning in rows:
        table.add_row(Text(name, style="bold"), Text(meaning))
    yield Static(table)
