"""SamplePath: from messages to ordered blocks, the same for a live run, a replay and a recovery.

It knows no clock, no wire and no file: whoever feeds it the same messages gets the same blocks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from capture.calibration.logger import CalibratedLogger
from capture.decoding import BlockDecoder
from capture.order import Order, SampleAccount
from capture.placing import Placer, Position
from firmware_protocol.framing import FrameRejected
from firmware_protocol.messages import Identity, Reply, Samples
from firmware_protocol.wire import MessageType, Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import SampleBlock
    from firmware_protocol.messages import Channel


@dataclass(frozen=True)
class LoggerDescription:
    """Who the logger is and what its channels are, as it said itself, and what the bench file knows of it."""

    identity: Identity
    channels: tuple[Channel, ...]
    address: str
    calibrated: CalibratedLogger = field(default_factory=CalibratedLogger)


@dataclass(frozen=True, slots=True)
class SegmentStart:
    """One boot of the logger within a run: its first sample, None while there is none.

    `shift_us` is what was added to the logger's own clock, so that the ticks of a run rise throughout. Behind
    a restart it comes from the host's clock.
    """

    boot_id: int
    first_index: int | None
    shift_us: int


@dataclass(frozen=True, slots=True)
class Arrival:
    """What some messages brought.

    `ordered` continues the run: each sample once, in order, for the recorder and the folds. `fresh` is what
    came just now, in the order in which it came, for the figures of the moment; what waits behind a gap is in
    it, and will be in `ordered` later.
    """

    ordered: list[SampleBlock] = field(default_factory=list)
    fresh: list[SampleBlock] = field(default_factory=list)


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
        identity = logger.identity
        self.decoder = BlockDecoder(
            logger.channels, identity.interval_ns, logger.address, logger.calibrated.calibrations
        )
        start = start or Position(identity.boot_id)
        self.segments = [SegmentStart(start.boot_id, None, start.shift_us)]
        self._placer = Placer(start, identity.interval_ns)
        self._order = Order(0, identity.interval_ns * 1e-3, self.account)
        self._left = sample_limit
        self._paused = False
        self._between_links = False
        self._run: list[tuple[Samples, int]] = []
        self._run_index = self._run_end = 0
        self._newest_came_ns: int | None = None
        if start.next_index is not None:
            self._begin_at(start.next_index, start.next_tick_us)

    @property
    def position(self) -> Position:
        """Behind the newest sample that is known of: what a run that begins now starts from."""
        return self._placer.position

    @property
    def segment(self) -> int:
        """The running boot of the logger, counted from 0."""
        return self._order.segment

    @property
    def missing(self) -> tuple[int, int] | None:
        """The earliest samples that newer ones wait for, as first and end index; None while none are."""
        return self._order.missing

    @property
    def waits_from_us(self) -> int | None:
        """The tick from which on all is provisional, None while nothing is missing."""
        missing = self.missing
        return None if missing is None else self._placer.tick_of(missing[0])

    @property
    def complete(self) -> bool:
        """Whether all samples up to the end of the run have come or been given up."""
        return self._order.complete

    def receive(self, messages: Iterable[object], host_ns: int | None = None) -> Arrival:
        """Return what `messages` bring; they came at `host_ns` of the host's clock.

        Takes what the protocol's reader or host yields; messages that carry no samples are passed over.
        """
        arrival = Arrival()
        for message in messages:
            match message:
                case Samples():
                    self._take(message, arrival, host_ns)
                case FrameRejected():
                    self.account.rejected_frames += 1
                case Reply(status=Status.DONE):
                    self._flush(arrival)
                    self._obeyed(message, arrival)
                case Identity():
                    self._flush(arrival)
                    self._between_links = False
                    if message.boot_id != self.position.boot_id:
                        self._begin_segment(message, arrival, host_ns)
        self._flush(arrival)
        return arrival

    def link_lost(self) -> None:
        """Take no samples until the logger has said again who it is."""
        self._between_links = True

    def end_at(self, end_index: int) -> list[SampleBlock]:
        """Let the run end before `end_index` of the running segment; return what need not wait any more."""
        self._order.end_at(end_index)
        return self._released()

    def declare_lost(self, end_index: int, why: str) -> list[SampleBlock]:
        """Give up what is missing before `end_index`; return the blocks that had waited for it."""
        return self._note_segment(self._order.declare_lost(end_index, why))

    def declare_all_lost(self, why: str) -> list[SampleBlock]:
        """Give up all that is missing before the newest sample; return the blocks that had waited."""
        return self.declare_lost(self._order.newest_index, why)

    def _take(self, frame: Samples, arrival: Arrival, host_ns: int | None) -> None:
        if self._between_links:
            return
        placed = self._placer.place(frame)
        if placed is None or not self.decoder.fits(frame, placed[0]):
            self.account.rejected_frames += 1
            return
        index, tick = placed
        end_index = self._order.end_index
        if end_index is not None and index >= end_index:
            self._flush(arrival)
            self._order.extends_to(end_index)
            self._placer.accept(frame, index, tick)
            return
        if not self._run or index != self._run_end:
            self._flush(arrival)
        if self._order.has(index, index + frame.count):
            self.account.repeated_frames += 1
            return
        if not self._run:
            self._run_index = index
        self._placer.accept(frame, index, tick)
        self._run.append((frame, tick))
        self._run_end = index + frame.count
        self._newest_came_ns = host_ns

    def _flush(self, arrival: Arrival) -> None:
        """Decode the frames gathered so far, which follow one another, and put them in order."""
        if not self._run:
            return
        block = self.decoder.decode(self.segment, self._run_index, self._run)
        self._run = []
        self._begin_at(block.first_index, int(block.ticks_us[0]))
        arrival.fresh.extend(self._order.insert(block))
        arrival.ordered.extend(self._released())

    def _begin_at(self, index: int, tick_us: int | None) -> None:
        self._order.begin_at(index, tick_us)
        if self._left is not None and self._order.end_index is None:
            self._order.end_at(index + self._left)

    def _released(self) -> list[SampleBlock]:
        """Return what is in order now. A logger that keeps nothing is not waited for."""
        if self.logger.identity.ring_samples == 0:
            why = "the logger does not keep its samples"
            return self.declare_all_lost(why)
        return self._note_segment(self._order.release())

    def _note_segment(self, blocks: list[SampleBlock]) -> list[SampleBlock]:
        if blocks and self.segments[-1].first_index is None:
            at = self.position
            self.segments[-1] = SegmentStart(at.boot_id, blocks[0].first_index, at.shift_us)
        return blocks

    def _obeyed(self, reply: Reply, arrival: Arrival) -> None:
        """Take note of what the logger says it did."""
        match reply.command:
            case MessageType.START:
                self._started_at(reply.index, arrival)
            case MessageType.STOP:
                end = self._placer.whole(reply.index)
                if self.position.next_index is not None:
                    self._order.extends_to(end)
                    self._placer.move_to(end)
                self._paused = True
                arrival.ordered.extend(self._released())
            case MessageType.RESEND:
                gone_until = self._placer.whole(reply.index)
                arrival.ordered.extend(self.declare_lost(gone_until, "the logger no longer had them"))

    def _started_at(self, counted: int, arrival: Arrival) -> None:
        """Take note that the logger's stream begins at `counted`; a repeated start changes nothing."""
        if self.position.next_index is None:
            self._placer.move_to(counted)
            self._begin_at(counted, None)
        elif self._paused:
            self._paused = False
            arrival.ordered.extend(self.declare_all_lost("the stream was stopped before they came"))
            start = max(self._placer.whole(counted), self._order.newest_index)
            self._placer.move_to(start)
            self._order.skip_to(start, self._placer.tick_of(start))

    def _begin_segment(self, identity: Identity, arrival: Arrival, host_ns: int | None) -> None:
        """Go on with a logger that has started anew; what it had not sent before is lost with its ring."""
        order = self._order
        arrival.ordered.extend(self.declare_all_lost("the logger started anew"))
        if self._left is not None and order.end_index is not None and order.next_index is not None:
            self._left = order.end_index - order.next_index
        self._placer = Placer(
            Position(identity.boot_id), identity.interval_ns, self._tick_of_restart(host_ns)
        )
        self._order = Order(order.segment + 1, identity.interval_ns * 1e-3, self.account)
        self._paused = False
        self.segments.append(SegmentStart(identity.boot_id, None, 0))

    def _tick_of_restart(self, host_ns: int | None) -> int | None:
        """Return the tick, on the run's clock, of a logger that answers at `host_ns` after a restart.

        The host's clock says how long the logger had been away; at the least it is one interval.
        """
        at, came_ns = self.position, self._newest_came_ns
        if at.next_tick_us is None or host_ns is None or came_ns is None:
            return at.next_tick_us
        return at.next_tick_us + max(0, host_ns - came_ns) // 1000
