"""The logger's ring: its latest samples as the messages they were sent in (SPEC 5.4)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from firmware_protocol.messages import Samples


@dataclass(frozen=True, slots=True)
class Kept:
    """One message of the ring and the whole index of its first sample."""

    first_index: int
    message: Samples

    @property
    def end_index(self) -> int:
        """Index of the sample behind its last."""
        return self.first_index + self.message.count


class SampleRing:
    """Keeps whole messages, at most `capacity` samples of them, and always the newest.

    Messages are numbered as they come; a number stays valid until its message has been dropped. Those from
    `unsent` on have not been sent yet.
    """

    def __init__(self, capacity: int) -> None:
        self.unsent = 0
        self.dropped_unsent = 0
        self._capacity = capacity
        self._kept: dict[int, Kept] = {}
        self._oldest = 0
        self._end = 0
        self._samples = 0

    @property
    def end(self) -> int:
        """Number that the next message will get."""
        return self._end

    def append(self, first_index: int, message: Samples) -> None:
        """Take a message; the oldest make room for it, sent or not."""
        self._kept[self._end] = Kept(first_index, message)
        self._end += 1
        self._samples += message.count
        while self._samples > self._capacity and self._oldest < self._end - 1:
            dropped = self._kept.pop(self._oldest)
            self._samples -= dropped.message.count
            if self._oldest >= self.unsent:
                self.unsent = self._oldest + 1
                self.dropped_unsent += dropped.message.count
            self._oldest += 1

    def take_unsent(self) -> Samples | None:
        """Return the next message to send live; it stays in the ring."""
        if self.unsent == self._end:
            return None
        self.unsent += 1
        return self._kept[self.unsent - 1].message

    def from_number(self, number: int) -> tuple[int, Kept] | None:
        """Return the first sent message from `number` on, with its number; None where there is none."""
        number = max(number, self._oldest)
        return (number, self._kept[number]) if number < self.unsent else None

    def number_at(self, index: int) -> int:
        """Return the number of the first message that reaches behind the sample `index` (bisection)."""
        low, high = self._oldest, self._end
        while low < high:
            middle = (low + high) // 2
            if self._kept[middle].end_index > index:
                high = middle
            else:
                low = middle + 1
        return low

    def first_unsent_index(self, next_index: int) -> int:
        """Return the index of the first sample not yet sent; `next_index` is the one to be taken next."""
        return next_index if self.unsent == self._end else self._kept[self.unsent].first_index
