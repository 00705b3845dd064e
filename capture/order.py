"""Order: blocks in as they arrive, blocks out in the order of their index, each sample once.

A block behind a gap waits until the gap is filled or declared lost. How long it may wait is up to the
caller; how much may wait is bounded here.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from capture.blocks import Quality, SampleBlock

if TYPE_CHECKING:
    from collections.abc import Iterator

#: More samples than this never wait behind a gap: at 500 Hz two minutes, at 10 kHz six seconds.
MOST_WAITING_SAMPLES: Final = 65_536


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that never came: `first_index` up to, not including, `end_index` of a segment.

    The ticks are those of the samples on either side, by the nominal interval where there is none; None
    where the gap came before any tick was known. `why` says in words why nobody waits any longer.
    """

    segment: int
    first_index: int
    end_index: int
    start_tick_us: int | None
    end_tick_us: int | None
    why: str


@dataclass(slots=True)
class SampleAccount:
    """What became of the samples: given out, come late after all, lost; and frames that were of no use."""

    delivered: int = 0
    recovered: int = 0
    lost: int = 0
    rejected_frames: int = 0
    repeated_frames: int = 0
    gaps: list[Gap] = field(default_factory=list)


class Order:
    """The samples of one segment, from `next_index` on, which is None until the first is known.

    `next_index` is the sample to be given out next, `newest_index` lies behind the newest that is known of.
    With `end_index` nothing from there on is taken.
    """

    def __init__(self, segment: int, interval_us: float, account: SampleAccount) -> None:
        self.segment = segment
        self.next_index: int | None = None
        self.newest_index = 0
        self.end_index: int | None = None
        self._interval_us = interval_us
        self._account = account
        self._waiting: list[SampleBlock] = []
        self._waiting_samples = 0
        self._next_tick_us: int | None = None
        self._mark_next = Quality.AFTER_RESTART if segment else Quality(0)

    def begin_at(self, index: int, tick_us: int | None) -> None:
        """Expect `index` as the first sample, where none was expected before."""
        if self.next_index is None:
            self.next_index = self.newest_index = index
            self._next_tick_us = tick_us

    def extends_to(self, index: int) -> None:
        """Take note that samples up to, not including, `index` were taken."""
        end = index if self.end_index is None else min(index, self.end_index)
        self.newest_index = max(self.newest_index, end)

    def end_at(self, end_index: int) -> None:
        """Take nothing from `end_index` on; what has come of it is dropped. It moves down only."""
        if self.end_index is not None:
            end_index = min(self.end_index, end_index)
        self.end_index = end_index
        self.newest_index = min(self.newest_index, end_index)
        waiting = [block for block in self._waiting if block.first_index < end_index]
        self._waiting = [
            block.between(block.first_index, min(block.end_index, end_index)) for block in waiting
        ]
        self._waiting_samples = sum(map(len, self._waiting))

    @property
    def complete(self) -> bool:
        """Whether all samples before the end have been given out or declared lost."""
        if self.end_index is None or self.next_index is None:
            return False
        return self.next_index >= self.end_index

    @property
    def missing(self) -> tuple[int, int] | None:
        """The earliest samples that are missing, as first and end index; None while nothing is."""
        if self.next_index is None or self.next_index >= self.newest_index:
            return None
        return self.next_index, self._waiting[0].first_index if self._waiting else self.newest_index

    def has(self, first_index: int, end_index: int) -> bool:
        """Return whether these samples would bring nothing new: given out, given up or waiting."""
        if self.next_index is None:
            return False
        if self.end_index is not None:
            end_index = min(end_index, self.end_index)
        start = max(first_index, self.next_index)
        for block in self._overlapping(start, end_index):
            if block.first_index > start:
                return False
            start = block.end_index
        return start >= end_index

    def insert(self, block: SampleBlock) -> list[SampleBlock]:
        """Take what `block` has of samples that had not come before, and return that part by part."""
        if self.next_index is None:
            self.begin_at(block.first_index, int(block.ticks_us[0]))
        fresh = list(self._fresh(block))
        for part in fresh:
            late = min(part.end_index, self.newest_index) - part.first_index
            self._account.recovered += max(0, late)
            self._waiting.insert(self._place_of(part.first_index), part)
            self._waiting_samples += len(part)
        self.extends_to(block.end_index)
        return fresh

    def release(self) -> list[SampleBlock]:
        """Return the blocks that nothing is missing before; too much waiting gives up the oldest gap."""
        released = self._take_ready()
        while self._waiting_samples > MOST_WAITING_SAMPLES:
            released += self.declare_lost(self._waiting[0].first_index, "more samples waited than are kept")
        return released

    def declare_lost(self, end_index: int, why: str) -> list[SampleBlock]:
        """Give up what is missing before `end_index`; return the blocks that had waited for it."""
        released = self._take_ready()
        if self.next_index is None:
            return released
        end_index = min(end_index, self.newest_index)
        while self.next_index < end_index:
            following = self._waiting[0] if self._waiting else None
            gap_end = end_index if following is None else min(end_index, following.first_index)
            self._give_up(gap_end, following, why)
            released += self._take_ready()
        return released

    def skip_to(self, index: int, tick_us: int | None) -> None:
        """Go on at `index` behind a pause, in which no sample was taken; nothing may be missing before."""
        if self.next_index is not None and index > self.next_index:
            self.next_index = index
            self._next_tick_us = tick_us
            self.extends_to(index)
        self._mark_next |= Quality.AFTER_PAUSE

    def _take_ready(self) -> list[SampleBlock]:
        ready = 0
        while ready < len(self._waiting) and self._waiting[ready].first_index == self.next_index:
            block = self._waiting[ready]
            self.next_index = block.end_index
            self._next_tick_us = int(block.ticks_us[-1]) + round(self._interval_us)
            self._waiting_samples -= len(block)
            ready += 1
        released, self._waiting = self._waiting[:ready], self._waiting[ready:]
        if released and self._mark_next:
            released[0].quality[0] |= np.uint32(self._mark_next)
            self._mark_next = Quality(0)
        self._account.delivered += sum(map(len, released))
        return released

    def _give_up(self, end: int, following: SampleBlock | None, why: str) -> None:
        """Declare the samples from the next one up to `end` as lost."""
        if self.next_index is None:
            return
        start, next_tick = self.next_index, self._next_tick_us
        before = None if next_tick is None else next_tick - round(self._interval_us)
        after = None if next_tick is None else next_tick + round((end - start) * self._interval_us)
        self._next_tick_us = after
        if following is not None and following.first_index == end:
            after = int(following.ticks_us[0])
        self._account.lost += end - start
        gaps = self._account.gaps
        last = gaps[-1] if gaps else None
        if last is not None and (last.segment, last.end_index, last.why) == (self.segment, start, why):
            gaps[-1] = Gap(self.segment, last.first_index, end, last.start_tick_us, after, why)
        else:
            gaps.append(Gap(self.segment, start, end, before, after, why))
        self.next_index = end
        self._mark_next |= Quality.AFTER_GAP

    def _fresh(self, block: SampleBlock) -> Iterator[SampleBlock]:
        """Yield the stretches of `block` that have neither been given out nor wait."""
        start = max(block.first_index, self.next_index or 0)
        end = block.end_index if self.end_index is None else min(block.end_index, self.end_index)
        for other in self._overlapping(start, end):
            if start < other.first_index:
                yield block.between(start, other.first_index)
            start = other.end_index
        if start < end:
            yield block.between(start, end)

    def _overlapping(self, first_index: int, end_index: int) -> list[SampleBlock]:
        begin = bisect_right(self._waiting, first_index, key=lambda block: block.end_index)
        return self._waiting[begin : self._place_of(end_index)]

    def _place_of(self, index: int) -> int:
        return bisect_left(self._waiting, index, key=lambda block: block.first_index)
