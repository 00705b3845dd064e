"""Large letters for the few words that are read from a bench, in half blocks. Pure: text in, rows out.

Each sign is five pixels high; two pixels make one row of the terminal.
"""

from __future__ import annotations

from typing import Final

#: The rows of each sign from the top, `#` where it is lit.
_SIGNS: Final = {
    "A": (".##.", "#..#", "####", "#..#", "#..#"),
    "D": ("###.", "#..#", "#..#", "#..#", "###."),
    "E": ("####", "#...", "###.", "#...", "####"),
    "F": ("####", "#...", "###.", "#...", "#..."),
    "H": ("#..#", "#..#", "####", "#..#", "#..#"),
    "I": ("###", ".#.", ".#.", ".#.", "###"),
    "L": ("#...", "#...", "#...", "#...", "####"),
    "N": ("#..#", "##.#", "#.##", "#..#", "#..#"),
    "O": (".##.", "#..#", "#..#", "#..#", ".##."),
    "P": ("###.", "#..#", "###.", "#...", "#..."),
    "R": ("###.", "#..#", "###.", "#.#.", "#..#"),
    "S": (".###", "#...", ".##.", "...#", "###."),
    "T": ("#####", "..#..", "..#..", "..#..", "..#.."),
    "V": ("#...#", "#...#", ".#.#.", ".#.#.", "..#.."),
    "W": ("#...#", "#...#", "#.#.#", "##.##", "#...#"),
    "0": (".##.", "#..#", "#..#", "#..#", ".##."),
    "1": (".#.", "##.", ".#.", ".#.", "###"),
    "2": ("###.", "...#", ".##.", "#...", "####"),
    "3": ("###.", "...#", ".##.", "...#", "###."),
    "4": ("#..#", "#..#", "####", "...#", "...#"),
    "5": ("####", "#...", "###.", "...#", "###."),
    "6": (".##.", "#...", "###.", "#..#", ".##."),
    "7": ("####", "...#", "..#.", ".#..", ".#.."),
    "8": (".##.", "#..#", ".##.", "#..#", ".##."),
    "9": (".##.", "#..#", ".###", "...#", ".##."),
    " ": ("..", "..", "..", "..", ".."),
}
_PIXELS_HIGH: Final = 5
_HALVES: Final = {("#", "#"): "█", ("#", "."): "▀", (".", "#"): "▄", (".", "."): " "}


def letter_rows(scale: int) -> int:
    """Return how many rows of the terminal letters of this scale take."""
    return (_PIXELS_HIGH * scale + 1) // 2


def letter_lines(text: str, scale: int = 1) -> list[str]:
    """Return the rows that show `text`, each pixel `scale` high and wide; signs not known are blank."""
    signs = [_SIGNS.get(sign, _SIGNS[" "]) for sign in text]
    wide = [".".join(sign[row] for sign in signs) for row in range(_PIXELS_HIGH)]
    pixels = ["".join(pixel * scale for pixel in row) for row in wide for _ in range(scale)]
    if len(pixels) % 2:
        pixels.append("." * len(pixels[0]))
    pairs = zip(pixels[::2], pixels[1::2], strict=True)
    return ["".join(_HALVES[pair] for pair in zip(upper, lower, strict=True)) for upper, lower in pairs]
