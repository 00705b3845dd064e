"""The rows of a table of cuts: which columns there are, what stands in them, which of them fit. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tui.formatting import number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capture.cut_figures import NumberedCut
    from capture.folds.cut_record import CutRecord, Sag

GAP: Final = "!"
UNFINISHED: Final = "…"
GAP_MEANS: Final = f"{GAP} samples are missing in this cut or at an end of it: its sums leave the gap out"
UNFINISHED_MEANS: Final = f"{UNFINISHED} still under way when the samples ended"
_BETWEEN: Final = 2


@dataclass(frozen=True, slots=True)
class CutColumn:
    """A column: its heading with the unit, and the text of a cut in it, None where it cannot be told."""

    heading: str
    text: Callable[[NumberedCut, int], str | None]
    optional: bool = False


@dataclass(frozen=True, slots=True)
class CutRows:
    """Headings, widths and rows of the columns that fit."""

    headings: tuple[str, ...] = ()
    widths: tuple[int, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def cut_rows(cuts: Sequence[NumberedCut], first_tick_us: int, width: int) -> CutRows:
    """Return the table in `width` cells: columns that do not fit go from the right, digits are never cut.

    A column of something that few loggers have is there only when one of the cuts has it.
    """
    headings: list[str] = []
    columns: list[list[str]] = []
    widths: list[int] = []
    used = 0
    for column in COLUMNS:
        texts = [column.text(cut, first_tick_us) for cut in cuts]
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


def text_lines(cuts: Sequence[NumberedCut], first_tick_us: int) -> list[str]:
    """Return the whole table as lines of text."""
    table = cut_rows(cuts, first_tick_us, width=10**6)
    return [
        (" " * _BETWEEN).join(cell.rjust(width) for cell, width in zip(row, table.widths, strict=True))
        for row in (table.headings, *table.rows)
    ]


def _number(cut: NumberedCut, _first_tick_us: int) -> str:
    return f"{UNFINISHED if cut.unfinished else ''}{GAP if cut.record.has_gap else ''}{cut.number}"


def _start(cut: NumberedCut, first_tick_us: int) -> str:
    return number((cut.record.start_us - first_tick_us) * 1e-6, 1)


def _of(
    value: Callable[[CutRecord], float | None], decimals: int
) -> Callable[[NumberedCut, int], str | None]:
    """Return what makes the text of one value of a cut."""

    def text(cut: NumberedCut, _first_tick_us: int) -> str | None:
        told = value(cut.record)
        return None if told is None else number(told, decimals)

    return text


def _volts(sag: Sag | None) -> float | None:
    return None if sag is None else sag.volts


#: The most wanted first: from the right they give way.
COLUMNS: Final = (
    CutColumn("cut", _number),
    CutColumn("start s", _start),
    CutColumn("took s", _of(lambda cut: cut.duration_s, 1)),
    CutColumn("energy Wh", _of(lambda cut: cut.energy_wh, 3)),
    CutColumn("mean W", _of(lambda cut: cut.mean_power_w, 0)),
    CutColumn("peak A", _of(lambda cut: cut.peak_current_a, 1)),
    CutColumn("peak sag V", _of(lambda cut: _volts(cut.peak_sag), 2)),
    CutColumn("steady sag V", _of(lambda cut: _volts(cut.steady_sag), 2)),
    CutColumn("mean rpm", _of(lambda cut: cut.mean_speed_rpm, 0), optional=True),
    CutColumn("lowest rpm", _of(lambda cut: cut.lowest_speed_rpm, 0), optional=True),
    CutColumn("mean N", _of(lambda cut: cut.mean_force_n, 1), optional=True),
)
