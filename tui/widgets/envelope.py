"""From bins with a minimum and a maximum to dots: no reading is ever skipped on the way. Pure.

A column of dots shows the lowest and the highest of all bins that touch it, so a peak of a single bin is as
visible as a plateau. Columns lie on a fixed grid of time: as time goes on they move, and do not change.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from tui.widgets.axis_ticks import Axis

Floats: TypeAlias = npt.NDArray[np.float64]
Mask: TypeAlias = npt.NDArray[np.bool_]
Cells: TypeAlias = npt.NDArray[np.str_]

#: A bin that ends within this fraction of a bin behind a column's edge does not touch the column.
_TOUCH = 1e-6
#: Beyond this a value is drawn at the edge: differences of larger numbers overflow.
_LARGEST = 1e12


class DotStyle(Enum):
    """How dots become characters: the dot rows of one cell. A cell is two dots wide in both."""

    BRAILLE = 4  # fine
    BLOCK = 2  # solid: for bright light, and for fonts without the fine dots


@dataclass(frozen=True, slots=True)
class Envelope:
    """What each column shows: lowest and highest, NaN without a reading; `gap` where readings are missing."""

    lowest: Floats
    highest: Floats
    gap: Mask


def envelope(
    lowest: Floats, highest: Floats, *, end_s: float, bin_s: float, span_s: float, columns: int
) -> Envelope:
    """Return the envelope of the last `span_s` seconds in `columns` columns, the newest one at the right.

    `lowest` and `highest` have one value per bin of `bin_s` seconds, NaN without a reading; the last bin ends
    at `end_s`. Infinite values count as missing.
    """
    readable = np.isfinite(lowest) & np.isfinite(highest)
    lowest, highest, missing = _over_slow_sampling(
        np.where(readable, lowest, np.nan), np.where(readable, highest, np.nan)
    )
    bins = len(lowest)
    column_s = span_s / columns
    right_edge = np.ceil(end_s / column_s - _TOUCH)
    edges = ((np.arange(-columns, 1) + right_edge) * column_s - (end_s - bins * bin_s)) / bin_s
    first = np.floor(edges[:-1] + _TOUCH).astype(np.int64)
    # a column narrower than a bin still shows the bin it lies in
    last = np.maximum(np.ceil(edges[1:] - _TOUCH).astype(np.int64), first + 1)
    outside = (last <= 0) | (first >= bins)
    cuts = np.stack((np.clip(first, 0, bins), np.clip(last, 0, bins)), axis=1).ravel()
    low = np.fmin.reduceat(np.append(lowest, np.nan), cuts)[::2]
    high = np.fmax.reduceat(np.append(highest, np.nan), cuts)[::2]
    gap = np.logical_or.reduceat(np.append(missing, False), cuts)[::2]
    return Envelope(np.where(outside, np.nan, low), np.where(outside, np.nan, high), gap & ~outside)


def _over_slow_sampling(lowest: Floats, highest: Floats) -> tuple[Floats, Floats, Mask]:
    """Return both with the bins filled that a channel slower than the bins leaves empty, and what is missing.

    Missing is a bin without a reading between readings; none while the next reading is not yet due.
    """
    at = np.flatnonzero(np.isfinite(lowest))
    missing = np.zeros(len(lowest), dtype=np.bool_)
    if len(at) == 0:
        return lowest, highest, missing
    stride = float(np.median(np.diff(at))) if len(at) > 1 else 1.0
    if stride > 1.0:
        due = int(np.ceil(1.5 * stride))
        source = np.repeat(at, np.diff(np.append(at, len(lowest))))
        age = np.arange(at[0], len(lowest)) - source
        for column in (lowest, highest):
            column[at[0] :] = np.where(age < due, column[source], np.nan)
    missing[at[0] : at[-1]] = np.isnan(lowest[at[0] : at[-1]])
    return lowest, highest, missing


def dot_mask(shown: Envelope, axis: Axis, style: DotStyle) -> Mask:
    """Return which dots are lit, the rows of dots by columns, the top row at `axis.high`."""
    dot_rows = axis.rows * style.value
    have = ~np.isnan(shown.lowest)
    scale = (dot_rows - 1) / (axis.high - axis.low)

    def row_of(values: Floats) -> npt.NDArray[np.int64]:
        limited = np.clip(np.where(have, values, axis.low), -_LARGEST, _LARGEST)
        return np.clip(np.rint((axis.high - limited) * scale), 0, dot_rows - 1).astype(np.int64)

    top, bottom = row_of(shown.highest), row_of(shown.lowest)
    if style is DotStyle.BRAILLE:
        # a line of one fine dot is lost at two metres; it grows downward, so that a peak keeps its height
        top = np.minimum(top, dot_rows - 2)
        bottom = np.maximum(bottom, top + 1)
    _join(top, bottom, have)
    rows = np.arange(dot_rows)[:, None]
    lit: Mask = (rows >= top) & (rows <= bottom) & have
    return lit


def _join(top: npt.NDArray[np.int64], bottom: npt.NDArray[np.int64], have: Mask) -> None:
    """Stretch columns in place so that a step between two neighbours is drawn as one line."""
    both = have[1:] & have[:-1]
    joined_top = np.where(both, np.minimum(top[1:], bottom[:-1] + 1), top[1:])
    joined_bottom = np.where(both, np.maximum(bottom[1:], top[:-1] - 1), bottom[1:])
    top[1:], bottom[1:] = joined_top, joined_bottom


def _braille() -> Cells:
    return np.array([" ", *(chr(0x2800 + code) for code in range(1, 256))])


#: Per style: what each dot of a cell adds to the cell's code, and the character of each code.
_ALPHABETS = {
    DotStyle.BRAILLE: (np.array([[1, 8], [2, 16], [4, 32], [64, 128]]), _braille()),
    DotStyle.BLOCK: (np.array([[1, 2], [4, 8]]), np.array(list(" ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"))),
}


def cells(lit: Mask, style: DotStyle) -> Cells:
    """Return the characters of a mask; a blank where no dot is lit."""
    weights, alphabet = _ALPHABETS[style]
    dot_rows, columns = lit.shape
    parted = lit.reshape(dot_rows // style.value, style.value, columns // 2, 2)
    codes = np.einsum("rdck,dk->rc", parted, weights)
    drawn: Cells = alphabet[codes]
    return drawn
