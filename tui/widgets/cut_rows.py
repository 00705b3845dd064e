"""The rows of a table of cuts: which columns there are, what stands in them, which of them fit. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tui.formatting import number, plus_minus

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from capture.cut_figures import NumberedCut
    from capture.folds.cut_record import CutRecord, Sag

GAP: Final = "!"
UNFINISHED: Final = "…"
GAP_MEANS: Final = f"{GAP} samples are missing in this cut or at an end of it: its sums leave the gap out"
UNFINISHED_MEANS: Final = f"{UNFINISHED} still under way when the samples ended"
_BETWEEN: Final = 2


@dataclass(frozen=True, slots=True)
class CutColumn:
    """A column: its heading with the unit, and the text of a cut in it, None where it cannot be told.

    Of a figure `value` is the value itself, `decimals` what the text has, `name` what it is called in JSON.
    """

    heading: str
    text: Callable[[NumberedCut, int], str | None]
    optional: bool = False
    value: Callable[[CutRecord], float | None] | None = None
    decimals: int = 0
    name: str = ""

    def with_u(self, cut: NumberedCut, first_tick_us: int, u: Mapping[str, float | None]) -> str | None:
        """Return the text with the expanded uncertainty, where there is one."""
        value = None if self.value is None else self.value(cut.record)
        if value is None:
            return self.text(cut, first_tick_us)
        return plus_minus(value, u.get(self.name), self.decimals)


@dataclass(frozen=True, slots=True)
class CutRows:
    """Headings, widths and rows of the columns that fit."""

    headings: tuple[str, ...] = ()
    widths: tuple[int, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def cut_rows(
    cuts: Sequence[NumberedCut],
    first_tick_us: int,
    width: int,
    us: Sequence[Mapping[str, float | None]] | None = None,
) -> CutRows:
    """Return the table in `width` cells: columns that do not fit go from the right, digits are never cut.

    A column of something that few loggers have is there only when one of the cuts has it. `us` are the
    uncertainties of each cut by name, shown where they are given.
    """
    known = us or [{}] * len(cuts)
    headings: list[str] = []
    columns: list[list[str]] = []
    widths: list[int] = []
    used = 0
    for column in COLUMNS:
        texts = [column.with_u(cut, first_tick_us, u) for cut, u in zip(cuts, known, strict=True)]
        if column.optional and not any(texts):
            continue
        cells = [text or number(None, 0) for text in texts]
        widest = max(map(len, [column.heading, *cells]))
        if headings and used + widest + _BETWEEN > width:
            break
        used += widest + _BETWEEN
        headings.append(column.heading)
        columns.append(cells)
        widths.append(widest)
    return CutRows(tuple(headings), tuple(widths), tuple(zip(*columns, strict=True)))


def text_lines(
    cuts: Sequence[NumberedCut], first_tick_us: int, us: Sequence[Mapping[str, float | None]] | None = None
) -> list[str]:
    """Return the whole table as lines of text, with uncertainties where they are given."""
    table = cut_rows(cuts, first_tick_us, width=10**6, us=us)
    return [
        (" " * _BETWEEN).join(cell.rjust(width) for cell, width in zip(row, table.widths, strict=True))
        for row in (table.headings, *table.rows)
    ]


def _number(cut: NumberedCut, _first_tick_us: int) -> str:
    return f"{UNFINISHED if cut.unfinished else ''}{GAP if cut.record.has_gap else ''}{cut.number}"


def _start(cut: NumberedCut, first_tick_us: int) -> str:
    return number((cut.record.start_us - first_tick_us) * 1e-6, 1)


def _figure(
    heading: str,
    name: str,
    value: Callable[[CutRecord], float | None],
    decimals: int,
    *,
    optional: bool = False,
) -> CutColumn:
    """Return the column of a figure of a cut."""

    def text(cut: NumberedCut, _first_tick_us: int) -> str | None:
        told = value(cut.record)
        return None if told is None else number(told, decimals)

    return CutColumn(heading, text, optional, value, decimals, name)


def _volts(sag: Sag | None) -> float | None:
    return None if sag is None else sag.volts


#: The most wanted first: from the right they give way.
COLUMNS: Final = (
    CutColumn("cut", _number),
    CutColumn("start s", _start),
    _figure("took s", "", lambda cut: cut.duration_s, 1),
    _figure("work s", "work_duration", lambda cut: cut.phases.work_s, 2, optional=True),
    _figure("energy Wh", "energy", lambda cut: cut.energy_wh, 3),
    _figure("mean W", "mean_power", lambda cut: cut.mean_power_w, 0),
    _figure("peak A", "peak_current", lambda cut: cut.peak_current_a, 1),
    _figure("peak sag V", "peak_sag", lambda cut: _volts(cut.peak_sag), 2),
    _figure("steady sag V", "steady_sag", lambda cut: _volts(cut.steady_sag), 2),
    _figure("mean rpm", "mean_speed", lambda cut: cut.mean_speed_rpm, 0, optional=True),
    _figure("lowest rpm", "lowest_speed", lambda cut: cut.lowest_speed_rpm, 0, optional=True),
    _figure("mean N", "mean_force", lambda cut: cut.mean_force_n, 1, optional=True),
)
