"""How the live screen divides a terminal between figures, chart and cuts. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from tui.widgets.segment_digits import SIZES, DigitSize, size_for

_LINES_ROWS: Final = 5  # link, recording, channels, notice, keys
_FIGURES_SHARE: Final = 0.45
_TITLE_ROWS: Final = 1
_LEAST_DETAILS: Final = 1
_MOST_DETAILS: Final = 3
_TILE_EDGE: Final = 3
_STAYING_TILES: Final = 2  # voltage and current
_CUTS_BESIDE_FROM: Final = 150
_CUTS_BELOW_FROM: Final = 34


class CutsPlace(Enum):
    """Where the last cuts stand."""

    LINE = "line"  # the last one alone, in a line
    BELOW = "below"  # a table below the chart
    BESIDE = "beside"  # a table beside it


@dataclass(frozen=True, slots=True)
class Room:
    """Tiles side by side, tiles shown at all, their digits, small figures in each, and where cuts stand."""

    columns: int
    tiles: int
    digits: DigitSize
    details: int
    cuts: CutsPlace


def room_for(width: int, height: int, tiles: int) -> Room:
    """Return the division of a terminal of this size among so many tiles.

    Of all columns those that show the most tiles, and then with the largest digits. In a small terminal
    panels go before digits shrink; voltage and current stay.
    """
    cuts = _cuts_place(width, height)
    rows = height - _LINES_ROWS - (cuts is CutsPlace.LINE)
    narrowest = SIZES[0].columns("88.88") + _TILE_EDGE
    fitting = [columns for columns in range(tiles, 1, -1) if width // columns >= narrowest]
    divided = [_divided(columns, width, rows, tiles, cuts) for columns in (*fitting, 1)]
    # of equal ones the first: the fewest rows of tiles leave the chart the most room
    return max(divided, key=lambda room: (room.tiles, room.digits.rows, -(-room.tiles % room.columns)))


def _cuts_place(width: int, height: int) -> CutsPlace:
    if height < _CUTS_BELOW_FROM:
        return CutsPlace.LINE
    return CutsPlace.BESIDE if width >= _CUTS_BESIDE_FROM else CutsPlace.BELOW


def _divided(columns: int, width: int, rows: int, tiles: int, cuts: CutsPlace) -> Room:
    budget = int(rows * _FIGURES_SHARE)
    least = -(-_STAYING_TILES // columns)
    tile_rows = min(-(-tiles // columns), max(budget // (_TITLE_ROWS + SIZES[0].rows), least))
    each = budget // tile_rows
    digits = size_for(width // columns - _TILE_EDGE, each - _TITLE_ROWS - _LEAST_DETAILS)
    details = min(max(each - _TITLE_ROWS - digits.rows, 0), _MOST_DETAILS)
    return Room(columns, min(tiles, columns * tile_rows), digits, details, cuts)
