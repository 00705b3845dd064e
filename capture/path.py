"""SamplePath: from messages to ordered blocks, the same for a live run, a replay and a recovery.

It knows no clock, no wire and no file: whoever feeds it the same messages gets the same blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from capture.blocks import Quality, SampleBlock
from capture.decoding import BlockDecoder
from capture.order import Fit, Position, SampleAccount, Sequence
from firmware_protocol.framing import FrameRejected
from firmware_protocol.messages import Identity, Reply, Samples
from firmware_protocol.wire import MessageType, Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    from firmware_protocol.messages import Channel


@dataclass(frozen=True)
class LoggerDescription:
    """Who the logger is and what its channels are, as it said itself."""

    identity: Identity
    channels: tuple[Channel, ...]
    address: str


@dataclass(frozen=True, slots=True)
class SegmentStart:
    """One boot of the logger within a run, and the index of its first sample."""

    boot_id: int
    first_index: int


class SamplePath:
    """Orders and decodes the samples of one run.

    `start` is where the stream stood when the run began; `sample_limit` ends the run after so many
    sampling instants, lost ones included.
    """

    def __init__(
        self, logger: LoggerDescription, start: Position | None = None, sample_limit: int | None = None
    ) -> None:
        self.logger = logger
        self.account = SampleAccount()
        self.segments: list[SegmentStart] = []
        identity = logger.identity
        self.decoder = BlockDecoder(logger.channels, identity.interval_ns, logger.address)
        self._sequence = Sequence(start or Position(identity.boot_id), identity.interval_ns, 0, self.account)
        self._limit = sample_limit
        self._end_index: int | None = None
        self._mark_next = Quality(0)
        self._run: list[tuple[Samples, int]] = []
        self._run_index = 0
        if start is not None and start.next_index is not None:
            self._set_end(start.next_index)

    @property
    def position(self) -> Position:
        """Where the stream stands: what a run that begins now starts from."""
        return self._sequence.position

    @property
    def segment(self) -> int:
        """The running boot of the logger, counted from 0."""
        return self._sequence.segment

    @property
    def complete(self) -> bool:
        """Whether the sample limit has been reached."""
        next_index = self.position.next_index
        return self._end_index is not None and next_index is not None and next_index >= self._end_index

    def receive(self, messages: Iterable[object]) -> list[SampleBlock]:
        """Return the blocks that `messages` complete, in order, none overlapping, gaps between them counted.

        Takes what the protocol's reader or host yields; messages that carry no samples are passed over.
        """
        blocks: list[SampleBlock] = []
        for message in messages:
            match message:
                case Samples():
                    blocks.extend(self._take(message))
                case FrameRejected():
                    self.account.rejected_frames += 1
                case Reply(command=MessageType.START, status=Status.DONE):
                    blocks.extend(self._flush())
                    if self._sequence.started_at(message.index):
                        self._mark_next |= Quality.AFTER_PAUSE
                case Reply(command=MessageType.STOP, status=Status.DONE):
                    blocks.extend(self._flush())
                    self._sequence.stopped_at(message.index, self._end_index)
                case Identity() if message.boot_id != self.position.boot_id:
                    blocks.extend(self._flush())
                    self._begin_segment(message)
        blocks.extend(self._flush())
        return blocks

    def _take(self, frame: Samples) -> list[SampleBlock]:
        if self.complete:
            return []
        fit, index, tick = self._sequence.place(frame)
        if fit is Fit.FOREIGN or not self.decoder.fits(frame, index):
            self.account.rejected_frames += 1
            return []
        if fit is Fit.REPEATED:
            self.account.repeated_frames += 1
            return []
        if self._end_index is None:
            next_index = self.position.next_index
            self._set_end(index if next_index is None else next_index)
        shortened = self._cut_to_limit(frame, index)
        blocks = self._flush() if fit is Fit.AFTER_GAP else []
        if shortened is None:  # the frame lies behind the end of the run: what is missing until there is lost
            self._sequence.end_at(index if self._end_index is None else self._end_index)
            return blocks
        if fit is Fit.AFTER_GAP:
            self._mark_next |= Quality.AFTER_GAP
        if not self._run:
            self._run_index = index
        self._sequence.accept(shortened, index, tick)
        self._run.append((shortened, tick))
        return blocks

    def _flush(self) -> list[SampleBlock]:
        """Decode the frames gathered so far, which follow one another."""
        if not self._run:
            return []
        block = self.decoder.decode(self._sequence.segment, self._run_index, self._run)
        self._run = []
        if self._mark_next:
            block.quality[0] |= np.uint32(self._mark_next)
            self._mark_next = Quality(0)
        if not self.segments or self.segments[-1].boot_id != self.position.boot_id:
            self.segments.append(SegmentStart(self.position.boot_id, block.first_index))
        self.account.delivered += len(block)
        return [block]

    def _begin_segment(self, identity: Identity) -> None:
        self._sequence = Sequence(
            Position(identity.boot_id), identity.interval_ns, self._sequence.segment + 1, self.account
        )

    def _set_end(self, first_index: int) -> None:
        if self._limit is not None and self._end_index is None:
            self._end_index = first_index + self._limit

    def _cut_to_limit(self, frame: Samples, index: int) -> Samples | None:
        if self._end_index is None or index + frame.count <= self._end_index:
            return frame
        count = self._end_index - index
        if count <= 0:
            return None
        return replace(frame, count=count, rows=frame.rows[: self.decoder.layout.rows_bytes(index, count)])
