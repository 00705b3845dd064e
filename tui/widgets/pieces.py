"""One line made of pieces: what does not fit is left out from the right, and one piece may shrink. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final

from rich.cells import cell_len, set_cell_size
from textual.content import Content

if TYPE_CHECKING:
    from collections.abc import Sequence

_BETWEEN: Final = 2
_LEAST: Final = 8


class Shrink(Enum):
    """Where a piece may be shortened."""

    NOT = "not"
    END = "end"  # a sentence: all behind it is left out before its end is
    MIDDLE = (
        "middle"  # a name: both its ends tell it from others, so its middle goes before what is behind it
    )


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of a line."""

    text: str
    style: str = ""
    shrink: Shrink = Shrink.NOT

    @property
    def least(self) -> int:
        """Return the least width it can take."""
        width = cell_len(self.text)
        return min(width, _LEAST) if self.shrink is Shrink.MIDDLE else width


def shortened(text: str, width: int, shrink: Shrink) -> str:
    """Return the text in at most `width` cells, with an ellipsis where something was left out."""
    if cell_len(text) <= width:
        return text
    tail = (width - 1) // 2 if shrink is Shrink.MIDDLE else 0
    if tail <= 0:
        return set_cell_size(text, max(width - 1, 0)) + "…" * (width > 0)
    ending = text[-tail:]
    while cell_len(ending) > tail:
        ending = ending[1:]
    return set_cell_size(text, width - 1 - cell_len(ending)) + "…" + ending


def line_of(pieces: Sequence[Piece], width: int) -> Content:
    """Return the line: the first piece always, the others from the left as far as the width goes."""
    kept = [piece for piece in pieces if piece.text]
    while len(kept) > 1 and _spare(kept, width) < 0 and not _can_shrink(kept, width):
        kept.pop()
    spare = _spare(kept, width)
    parts: list[Content] = []
    for piece in kept:
        room = piece.least + _given(piece, spare, last=piece is kept[-1])
        text = shortened(piece.text, min(room, width), piece.shrink)
        spare -= cell_len(text) - piece.least
        parts.append(Content.styled(text, piece.style))
    return Content(" " * _BETWEEN).join(parts)


def _spare(kept: Sequence[Piece], width: int) -> int:
    """Return the cells that are left when each piece has its least width; negative where they lack."""
    return width - sum(piece.least + _BETWEEN for piece in kept) + _BETWEEN


def _can_shrink(kept: Sequence[Piece], width: int) -> bool:
    """Return whether the last piece is a sentence of which enough fits to be worth reading."""
    last = kept[-1]
    return last.shrink is Shrink.END and last.least + _spare(kept, width) >= _LEAST


def _given(piece: Piece, spare: int, *, last: bool) -> int:
    """Return the cells that a piece gets beyond its least width; a sentence at the end gives what lacks."""
    if piece.shrink is Shrink.MIDDLE:
        return max(spare, 0)
    return min(spare, 0) if piece.shrink is Shrink.END and last else 0
