"""The help screen: keys, what each figure and each state word means, and the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar, Final

from rich.table import Table
from rich.text import Text
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen
from textual.widgets import Footer, Static

from tui.screens.advice import CAUTIONS
from tui.widgets.chart_picture import CUT_SIGN, GAP_SIGN, MARK_SIGN, PROVISIONAL_SIGN
from tui.widgets.state_words import LINK_WORDS, OTHER_WORDS, RECORDING_WORDS

if TYPE_CHECKING:
    from collections.abc import Iterable

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
    ("rpm speed", "the latest reading; without a pulse it is a bound that falls, never the last reading"),
    ("without load", "the highest speed while little current is drawn (free)"),
    ("N, N·m", "force and torque, where the logger has them"),
    ("left to cut-off", "time until the loaded pack reaches its cut-off at the present work: 90 % range"),
    ("not yet", "it can be told once a fifth of the charge has been drawn"),
    ("cuts", "stretches of work between idle stretches"),
    ("peak sag", "of a cut: the rest before it minus its lowest voltage (mean over 20 ms)"),
    ("steady sag", "of a cut: the rest before it minus the mean over its last half"),
    ("run time", "of the recording; since connecting while nothing is recorded"),
    ("recovered", "samples that came when they were asked for again"),
    ("lost", "samples that the logger took and that never arrived"),
    ("ring", "for how long the logger keeps its samples: a cable may be out as long without a loss"),
    ("rejected", "frames that arrived damaged"),
    ("writer", "whether the file keeps up; behind 100 % waiting, reading stops and the ring takes over"),
    ("disk", "how long the disk lasts at this rate"),
    ("—", "cannot be told from what was measured"),
)

CHART: Final = (
    ("trace", "the lowest and the highest sample of each column: no peak is left out"),
    (f"{GAP_SIGN} on the axis", "samples are missing there"),
    (f"{PROVISIONAL_SIGN} on the axis", "provisional: earlier samples may yet come"),
    (f"{CUT_SIGN}[3]{CUT_SIGN} and shaded", "the third cut of the run"),
    (f"line and {MARK_SIGN}2", "the second mark"),
)

GUIDE: Final = (
    ("REST, WAIT", "load off; the first load comes when the voltage stands still"),
    ("LOAD ON", "switch the load on now; the test sees by itself that it came"),
    ("HOLD", "leave it on: 12 s, so that the resistance after 10 s can be told"),
    ("LOAD OFF", "switch it off; a load that came or went at the wrong time is done again"),
    ("STOP", "a limit of the pack was passed: load off, the test ends"),
    ("Repeat 2 of 3", "the load under way; those that do not count are not among them"),
    ("drifts", "how fast the voltage at rest still moves"),
    ("r", "leaves the test: what was recorded is saved; switch the load off yourself"),
)

_NAME_WIDTH: Final = 16

#: A title, and rows of a name and its meaning.
Section = tuple[str, Sequence[tuple[str, str]]]

LIVE: Final[tuple[Section, ...]] = (
    ("Figures", FIGURES),
    ("Chart", CHART),
    ("Guided test (record --guide)", GUIDE),
    (
        "States",
        [
            (state.label, state.meaning)
            for state in [*LINK_WORDS.values(), *RECORDING_WORDS.values(), *OTHER_WORDS]
        ],
    ),
)


class HelpScreen(Screen[None]):
    """All that a screen shows, explained; cautions last. `keys` pairs the face of a key with what it does."""

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

    def __init__(self, keys: Sequence[tuple[str, str]], sections: Sequence[Section] = ()) -> None:
        super().__init__()
        self._keys = keys
        self._sections = sections

    def compose(self) -> ComposeResult:
        """Yield the sections from the top."""
        with VerticalScroll(id="help"):
            if self._keys:
                yield from _section("Keys (each can also be clicked in the last line)", self._keys)
            for title, rows in self._sections:
                yield from _section(title, rows)
            yield from _section("Cautions", [("!", caution) for caution in CAUTIONS], name_width=2)
        yield Footer()

    def on_mount(self) -> None:
        """Let the arrow keys scroll at once."""
        self.query_one("#help").focus()


def _section(title: str, rows: Iterable[tuple[str, str]], name_width: int = _NAME_WIDTH) -> Iterable[Static]:
    """Yield a title and its rows: name, meaning."""
    yield Static(title, classes="title", markup=False)
    table = Table.grid(padding=(0, 1))
    table.add_column(width=name_width, no_wrap=True)
    table.add_column(ratio=1)
    for name, meaning in rows:
        table.add_row(Text(name, style="bold"), Text(meaning))
    yield Static(table)
