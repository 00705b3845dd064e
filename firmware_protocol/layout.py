"""How the channels of a logger lie in the rows of a samples message (SPEC 4.9)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from firmware_protocol.wire import WIRE_TYPE_BYTES, WireType

if TYPE_CHECKING:
    from collections.abc import Sequence

    from firmware_protocol.messages import Channel


@dataclass(frozen=True)
class RowLayout:
    """Divisor and wire type of each channel, in the order of the channels."""

    columns: tuple[tuple[int, WireType], ...]

    @classmethod
    def of(cls, channels: Sequence[Channel]) -> RowLayout:
        """Return the layout that `channels` describe."""
        return cls(tuple((channel.divisor, channel.wire_type) for channel in channels))

    @cached_property
    def longest_row(self) -> int:
        """Bytes of a row in which every channel is present."""
        return sum(WIRE_TYPE_BYTES[wire_type] for _, wire_type in self.columns)

    @cached_property
    def _bytes_of_divisor(self) -> tuple[tuple[int, int], ...]:
        """Each divisor, and the bytes of all channels that have it."""
        divisors = {divisor for divisor, _ in self.columns}
        return tuple(
            (each, sum(WIRE_TYPE_BYTES[wire_type] for divisor, wire_type in self.columns if divisor == each))
            for each in sorted(divisors)
        )

    def row_bytes(self, index: int) -> int:
        """Return the bytes of the row of sample `index`; 0 where no channel is due."""
        return sum(size for divisor, size in self._bytes_of_divisor if index % divisor == 0)

    def rows_bytes(self, first_index: int, count: int) -> int:
        """Return the bytes of `count` rows from sample `first_index` on."""
        last = first_index + count - 1
        return sum(
            size * (last // divisor - (first_index - 1) // divisor)
            for divisor, size in self._bytes_of_divisor
        )
