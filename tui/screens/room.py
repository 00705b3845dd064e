"""How the live screen divides a terminal between figures and chart. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tui.widgets.segment_digits import SIZES, DigitSize, size_for

_LINES_ROWS: Final = 5  # link, recording, channels, notice, keys
_FIGURES_SHARE: Final = 0.45
_TITLE_ROWS: Final = 1
_MOST_DETAILS: Final = 3
_TILE_EDGE: Final = 3
_TILES: Final = 4


@dataclass(frozen=True, slots=True)
class Room:
    """Tiles side by side, tiles shown at all, the size of their digits, and small figures in each."""

    columns: int
    tiles: int
    digits: DigitSize
    details: int


def room_for(width: int, height: int) -> Room:
    """Return the division of a terminal of this size. In a small one panels go before digits shrink."""
    narrowest = SIZES[0].columns("88.88") + _TILE_EDGE
    columns = next((count for count in (4, 2) if width // count >= narrowest), 1)
    smallest = _TITLE_ROWS + SIZES[0].rows
    # the first two are voltage and current: they stay
    tiles = min(_TILES, columns * max(1, (height - _LINES_ROWS) // smallest)) if columns > 1 else 2
    budget = int((height - _LINES_ROWS) * _FIGURES_SHARE) // (tiles // columns)
    details = min(max(budget - smallest, 0), _MOST_DETAILS)
    digits = size_for(width // columns - _TILE_EDGE, budget - _TITLE_ROWS - details)
    return Room(columns, tiles, digits, details)
