"""Where a load begins and ends within a block: the follower's answer without spikes, with sharper edges.

- *Spikes*: a reading that draws with none beside it within `LONE_US` and two readings is noise of the line.
- *Edges*: where the follower judges means of many readings it comes late by some of them. The edge is then
  put where the sum of what the readings exceed the middle between idle and start is greatest: the likeliest
  place of a step in white noise (Hinkley, Biometrika 57 (1970) 1, from memory).

What lies so near to an end of the block that its neighbours are not seen stays as it is.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    from capture.folds.hysteresis import LoadRows

    Flags = npt.NDArray[np.bool_]
    Whole = npt.NDArray[np.int64]

#: A chopped current comes again within this, or within two readings. Common practice, no source.
LONE_US: Final = 20_000
_LONE_READINGS: Final = 2


def with_edges(load: LoadRows, ticks_us: Whole) -> LoadRows:
    """Return the rows of a block (n, at `ticks_us`) with the edges of their load put right."""
    drawing = _without_spikes(load.drawing, ticks_us)
    if (load.span > 1).any():
        drawing = _sharpened(drawing, load)
    return replace(load, drawing=drawing, idle=load.idle & ~drawing)


def _without_spikes(drawing: Flags, ticks: Whole) -> Flags:
    at = np.flatnonzero(drawing)
    if len(at) == 0:
        return drawing
    edges = np.concatenate([[-1], at, [len(drawing)]])
    times = np.concatenate([[ticks[0]], ticks[at], [ticks[-1]]])
    apart = (np.diff(edges) > _LONE_READINGS) & (np.diff(times) > LONE_US)
    lone = at[apart[1:] & apart[:-1]]
    if len(lone) == 0:
        return drawing
    kept = drawing.copy()
    kept[lone] = False
    return kept


def _sharpened(drawing: Flags, load: LoadRows) -> Flags:
    """Return the flags with each edge moved back by as many readings as the mean hid."""
    over = load.over_a
    sharp = drawing.copy()
    for edge in (np.flatnonzero(np.diff(drawing)) + 1).tolist():
        begin = max(edge - int(load.span[edge]), 0)
        if drawing[edge]:
            upto = np.cumsum(over[begin:edge][::-1])
            sharp[edge - _best(upto) : edge] = True
        else:
            sharp[begin + _best(np.cumsum(over[begin:edge])) : edge] = False
    return sharp


def _best(sums: npt.NDArray[np.float64]) -> int:
    """Return of how many readings the sum is greatest; none where it is always negative."""
    best = int(np.argmax(sums))
    return best + 1 if sums[best] > 0 else 0
