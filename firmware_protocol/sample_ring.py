"""The ring of a logger: the latest samples of its streams, as the messages they are sent in (SPEC 6.1)."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from firmware_protocol.messages import Samples


@dataclass(frozen=True, slots=True)
class HeldSamples:
    """A message in the ring; the whole indices of its rows are `first_index` up to, without, `end_index`."""

    first_index: int
    end_index: int
    message: Samples


class SampleRing:
    """Holds messages in the order of their samples, those sent live in front of those not yet sent.

    Messages are numbered as they come, from 0. So a place in the ring is a number that stays right while
    the ring moves on, and a message is found from its number at once. At most `capacity_samples` are held,
    but always the latest message; with `keeps_sent` false a message leaves as soon as it is sent.
    """

    def __init__(self, capacity_samples: int, *, keeps_sent: bool) -> None:
        self._capacity_samples = capacity_samples
        self._keeps_sent = keeps_sent
        self._held: dict[int, HeldSamples] = {}
        self._held_samples = 0
        self._oldest = 0
        self._unsent = 0
        self._end = 0

    @property
    def unsent_index(self) -> int | None:
        """Index of the first sample that has not been sent live; None where all have."""
        return self._held[self._unsent].first_index if self._unsent < self._end else None

    def append(self, held: HeldSamples) -> int:
        """Take the latest message in; return how many samples that were never sent had to leave for it."""
        self._held[self._end] = held
        self._end += 1
        self._held_samples += held.end_index - held.first_index
        dropped = 0
        while self._held_samples > self._capacity_samples and self._end - self._oldest > 1:
            dropped += self._drop_oldest()
        return dropped

    def take_unsent(self) -> Samples | None:
        """Return the first message not sent live, which counts as sent from now on; None where all are."""
        if self._unsent == self._end:
            return None
        message = self._held[self._unsent].message
        self._unsent += 1
        if not self._keeps_sent:
            self._drop_oldest()
        return message

    def sent_range(self, first_index: int, end_index: int) -> range:
        """Return the numbers of the messages sent live that hold any of `first_index` up to `end_index`."""
        sent = range(self._oldest, self._unsent)
        start = bisect_right(sent, first_index, key=lambda number: self._held[number].end_index)
        end = bisect_left(sent, end_index, key=lambda number: self._held[number].first_index)
        return sent[start : max(start, end)]

    def sent_message(self, number: int) -> tuple[int, Samples] | None:
        """Return the message of this number, or the oldest sent one where it has left, with its number."""
        number = max(number, self._oldest)
        return (number, self._held[number].message) if number < self._unsent else None

    def first_sent_index(self, first_index: int) -> int | None:
        """Return the first sample from `first_index` on that was sent live and is held; None without one."""
        sent = range(self._oldest, self._unsent)
        place = bisect_right(sent, first_index, key=lambda number: self._held[number].end_index)
        return max(first_index, self._held[sent[place]].first_index) if place < len(sent) else None

    def _drop_oldest(self) -> int:
        """Let the oldest message go; return its samples if it was never sent, else 0."""
        gone = self._held.pop(self._oldest)
        count = gone.end_index - gone.first_index
        never_sent = self._oldest == self._unsent
        self._oldest += 1
        self._unsent = max(self._unsent, self._oldest)
        self._held_samples -= count
        return count if never_sent else 0
