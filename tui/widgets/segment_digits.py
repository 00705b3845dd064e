"""Large digits of seven segments in any size, drawn with half blocks. Pure: text in, lines out.

Solid strokes are read from further away and in brighter light than line-drawing characters.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

#: Segments lit: a top, b upper right, c lower right, d bottom, e lower left, f upper left, g middle.
_SEGMENTS: Final = {
    "0": "abcdef",
    "1": "bc",
    "2": "abdeg",
    "3": "abcdg",
    "4": "bcfg",
    "5": "acdfg",
    "6": "acdefg",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
    "-": "g",
    "—": "g",
    "E": "adefg",
    " ": "",
}
_DOTS: Final = ".:"
_NARROW: Final = 5
_HALVES: Final = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


@dataclass(frozen=True, slots=True)
class DigitSize:
    """The size of a digit: columns wide, half rows high, strokes in columns and in half rows."""

    width: int
    halves: int
    stroke: int

    @property
    def rows(self) -> int:
        """Return the height in rows of the terminal."""
        return (self.halves + 1) // 2

    def columns(self, text: str) -> int:
        """Return the width of a text in this size."""
        return sum(self.stroke if sign in _DOTS else self.width for sign in text) + self.gap * (len(text) - 1)

    @property
    def gap(self) -> int:
        """Return the columns between two signs; narrow digits can spare only one."""
        return 1 if self.width <= _NARROW else 2


#: Smallest first. The smallest fits a number such as 88.88 in the quarter of 80 columns.
SIZES: Final = (
    DigitSize(3, 5, 1),
    DigitSize(5, 9, 1),
    DigitSize(6, 11, 2),
    DigitSize(8, 15, 2),
    DigitSize(10, 19, 3),
)


def size_for(columns: int, rows: int, widest: str = "88.88") -> DigitSize:
    """Return the largest size in which `widest` fits, or the smallest there is."""
    fitting = [size for size in SIZES if size.columns(widest) <= columns and size.rows <= rows]
    return fitting[-1] if fitting else SIZES[0]


def digit_lines(text: str, size: DigitSize) -> list[str]:
    """Return `size.rows` lines that show the text; a sign without segments is left blank."""
    bitmaps = [_glyph(sign, size) for sign in text]
    gap = [False] * size.gap
    halves = [
        [pixel for bitmap in bitmaps for pixel in (*bitmap[half], *gap)][: -len(gap)]
        for half in range(size.halves)
    ]
    if len(halves) % 2:
        halves.append([False] * len(halves[0]))
    pairs = zip(halves[::2], halves[1::2], strict=True)
    return ["".join(_HALVES[pair] for pair in zip(upper, lower, strict=True)) for upper, lower in pairs]


@lru_cache(maxsize=256)
def _glyph(sign: str, size: DigitSize) -> list[list[bool]]:
    """Return the pixels of one sign: half rows of columns."""
    if sign == ".":
        return [[half >= size.halves - size.stroke] * size.stroke for half in range(size.halves)]
    if sign == ":":
        return [[_is_in_colon(half, size)] * size.stroke for half in range(size.halves)]
    lit = _SEGMENTS.get(sign, "")
    return [[_is_lit(lit, column, half, size) for column in range(size.width)] for half in range(size.halves)]


def _is_in_colon(half: int, size: DigitSize) -> bool:
    """Return whether a half row lies in one of the two dots, in the middle of either half of a sign."""
    upper, lower = size.halves // 4, size.halves - 1 - size.halves // 4
    return upper <= half < upper + size.stroke or lower - size.stroke < half <= lower


def _is_lit(lit: str, column: int, half: int, size: DigitSize) -> bool:
    """Return whether a pixel lies on a lit segment; corners belong to both their segments."""
    middle = (size.halves - size.stroke) // 2
    across = {"a": 0, "g": middle, "d": size.halves - size.stroke}
    if any(name in lit and top <= half < top + size.stroke for name, top in across.items()):
        return True
    left, right = column < size.stroke, column >= size.width - size.stroke
    upper, lower = half < middle + size.stroke, half >= middle
    down = {"f": left and upper, "e": left and lower, "b": right and upper, "c": right and lower}
    return any(inside and name in lit for name, inside in down.items())
