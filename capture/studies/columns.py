"""A whole run as arrays: what every study works on."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from capture.blocks import Quality

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import numpy.typing as npt

    from capture.blocks import SampleBlock

    Floats = npt.NDArray[np.float64]

_BREAKS = np.uint32(Quality.AFTER_GAP | Quality.AFTER_PAUSE | Quality.AFTER_RESTART)


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in a run, in seconds since its first sample."""

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, eq=False)
class RunColumns:
    """The samples of a run: `t_s` (n, rising, since the first sample) and columns by name (n each, float64).

    A reading that is missing, or that a slower channel does not have, is NaN. `breaks` are the rows that do
    not join the row before them (gap, pause, restart), 0 not among them: nothing is known between.
    `clipped` (n each) says where a column stood at an end of its range; columns of which that is not known
    are not in it.
    """

    t_s: Floats
    columns: Mapping[str, Floats]
    breaks: npt.NDArray[np.int64]
    interval_s: float
    divisors: Mapping[str, int]
    clipped: Mapping[str, npt.NDArray[np.bool_]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.t_s)

    def has(self, *names: str) -> bool:
        """Return whether there are columns of these names."""
        return all(name in self.columns for name in names)

    def without(self, name: str) -> RunColumns:
        """Return the run without a column."""
        return replace(self, columns={key: values for key, values in self.columns.items() if key != name})

    def known(self, name: str) -> tuple[Floats, Floats]:
        """Return the times and values of the readings that `name` has."""
        values = self.columns[name]
        there = ~np.isnan(values)
        return self.t_s[there], values[there]

    def rows(self, span: Span) -> slice:
        """Return the rows from the span's start to its end, both included."""
        first, last = np.searchsorted(self.t_s, [span.start_s, span.end_s])
        end = int(last) + (last < len(self.t_s) and self.t_s[last] == span.end_s)
        return slice(int(first), end)

    @classmethod
    def of(
        cls,
        blocks: Iterable[SampleBlock],
        *,
        interval_s: float,
        divisors: Mapping[str, int],
        names: Iterable[str] | None = None,
        clipped: Mapping[str, Sequence[Sequence[int]]] | None = None,
        progress: Callable[[int], None] = lambda _rows: None,
    ) -> RunColumns:
        """Return the run that `blocks` are, in order; of the columns only `names` where they are given.

        `clipped` has, by column, the ranges of rows that stood at an end of a range, each as segment, first
        index and end index, as a recording's document has them; None where nobody knows.
        """
        wanted = None if names is None else frozenset(names)
        ticks: list[npt.NDArray[np.int64]] = []
        breaks: list[npt.NDArray[np.int64]] = []
        parts: dict[str, list[Floats]] = {}
        spans: list[tuple[int, int, int]] = []
        rows = 0
        for block in blocks:
            breaks.append(rows + np.flatnonzero(block.quality & _BREAKS))
            ticks.append(block.ticks_us)
            for name, readings in block.columns.items():
                if wanted is None or name in wanted:
                    parts.setdefault(name, []).append(readings.astype(np.float64))
            spans.append((block.segment, block.first_index, rows))
            rows += len(block)
            progress(rows)
        tick_us = np.concatenate(ticks) if ticks else np.zeros(0, np.int64)
        broken = np.concatenate(breaks) if breaks else np.zeros(0, np.int64)
        return cls(
            (tick_us - (tick_us[0] if rows else 0)) * 1e-6,
            {name: np.concatenate(columns) for name, columns in parts.items()},
            broken[broken > 0],
            interval_s,
            divisors,
            {} if clipped is None else {name: _rows_of(clipped.get(name, ()), spans, rows) for name in parts},
        )


def _rows_of(
    ranges: Sequence[Sequence[int]], blocks: Sequence[tuple[int, int, int]], rows: int
) -> npt.NDArray[np.bool_]:
    """Return which of so many rows lie in ranges of indices; blocks as (segment, first index, first row)."""
    within = np.zeros(rows, dtype=bool)
    if not ranges:
        return within
    ends = [row for _, _, row in blocks[1:]] + [rows]
    for (segment, first_index, row), end in zip(blocks, ends, strict=True):
        for of_segment, first, stop in ranges:
            if of_segment == segment:
                begin = max(row, row + first - first_index)
                within[begin : max(begin, min(end, row + stop - first_index))] = True
    return within
