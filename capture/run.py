"""A run as it is recorded: how it opened, what happened in it, and the document that stays with its samples.

Live recording and recovery drive the same `Run`; the document is built here and nowhere else.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any, Final

from capture import clock
from capture.clipping import ClippedRanges
from capture.order import Position
from capture.path import LoggerDescription, SamplePath
from capture.run_card import RunCard
from firmware_protocol.codec import decode, encode
from firmware_protocol.messages import Channel, Identity

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import SampleBlock

DOCUMENT_FORMAT: Final = 1


def software_version() -> str:
    """Return the version of this program."""
    try:
        return version("sagline")
    except PackageNotFoundError:
        return "unknown"


@dataclass(frozen=True)
class Opening:
    """All that must be known before the first sample: who, what, and where the stream stood.

    `opened_ns` is the host's UNIX time; `logger` is kept as the very messages it sent.
    """

    opened_ns: int
    logger: LoggerDescription
    card: RunCard = field(default_factory=RunCard)
    start: Position | None = None
    sample_limit: int | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the opening as the journal keeps it."""
        start = self.start
        return {
            "opened_ns": self.opened_ns,
            "software": software_version(),
            "address": self.logger.address,
            "identity": encode(self.logger.identity).hex(),
            "channels": [encode(channel).hex() for channel in self.logger.channels],
            "run_card": self.card.as_json(),
            "start": None if start is None else [start.boot_id, start.next_index, start.next_tick_us],
            "sample_limit": self.sample_limit,
        }

    @classmethod
    def from_json(cls, document: dict[str, Any]) -> Opening:
        """Return the opening of a journal; raise ValueError or KeyError where it makes no sense."""
        identity = decode(bytes.fromhex(document["identity"]))
        channels = [decode(bytes.fromhex(payload)) for payload in document["channels"]]
        if not isinstance(identity, Identity):
            raise TypeError("the opening holds no identity")
        known = tuple(channel for channel in channels if isinstance(channel, Channel))
        start = document["start"]
        return cls(
            opened_ns=int(document["opened_ns"]),
            logger=LoggerDescription(identity, known, str(document["address"])),
            card=RunCard.from_json(document["run_card"]),
            start=None if start is None else Position(*start),
            sample_limit=document["sample_limit"],
        )


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment that the operator marked: the next sample's index and tick, and what was written.

    Index and tick are None where the mark came before the first sample.
    """

    segment: int
    index: int | None
    tick_us: int | None
    text: str
    host_ns: int

    def as_json(self) -> dict[str, Any]:
        """Return the mark as the journal keeps it."""
        return asdict(self)


@dataclass(slots=True)
class _Stretch:
    """Rows whose indices follow one another."""

    segment: int
    first_index: int
    rows: int


class Run:
    """One run from its opening on: messages in, ordered blocks out, facts kept for the document."""

    def __init__(self, opening: Opening) -> None:
        self.opening = opening
        self.path = SamplePath(opening.logger, opening.start, opening.sample_limit)
        self.marks: list[Mark] = []
        self._clipped = ClippedRanges(self.path.decoder.limits)
        self._stretches: list[_Stretch] = []
        self._clock = clock.ClockFit()
        self.first_tick_us: int | None = None

    def receive(self, messages: Iterable[object], host_ns: int | None = None) -> list[SampleBlock]:
        """Return the blocks that `messages`, which came at `host_ns` of the host's clock, complete."""
        blocks = self.path.receive(messages)
        for block in blocks:
            self._note(block)
        if blocks and host_ns is not None and self.path.segment == 0:
            self._clock = clock.update(self._clock, int(blocks[-1].ticks_us[-1]), host_ns)
        return blocks

    def mark(self, text: str, host_ns: int) -> Mark:
        """Mark the next sample; return the mark for the journal."""
        at = self.path.position
        mark = Mark(self.path.segment, at.next_index, at.next_tick_us, text, host_ns)
        self.marks.append(mark)
        return mark

    def restore_mark(self, document: dict[str, Any]) -> None:
        """Put a mark of the journal back in its place."""
        self.marks.append(Mark(**document))

    def seconds(self, tick_us: int | None) -> float | None:
        """Return a tick as seconds since the first sample, None where either is not known."""
        if tick_us is None or self.first_tick_us is None:
            return None
        return (tick_us - self.first_tick_us) * 1e-6

    def document(self, *, ended: str, interrupted: bool) -> dict[str, Any]:
        """Return what stays with the samples; `ended` says in words how the run came to its end."""
        logger, account = self.opening.logger, self.path.account
        identity = logger.identity
        return {
            "format": DOCUMENT_FORMAT,
            "software": {"name": "sagline", "version": software_version()},
            "opened": datetime.fromtimestamp(self.opening.opened_ns * 1e-9, UTC).isoformat(),
            "opened_ns": self.opening.opened_ns,
            "run_card": self.opening.card.as_json(),
            "logger": {
                "address": logger.address,
                "name": identity.name,
                "firmware": identity.firmware,
                "interval_ns": identity.interval_ns,
                "protocol_version": identity.version,
            },
            "channels": [
                channel_document(channel, column)
                for channel, column in zip(logger.channels, self.path.decoder.columns, strict=True)
            ],
            "first_tick_us": self.first_tick_us,
            "clock": self._clock.as_json(self.first_tick_us),
            "stretches": [[part.segment, part.first_index, part.rows] for part in self._stretches],
            "segments": [[segment.boot_id, segment.first_index] for segment in self.path.segments],
            "gaps": [
                {
                    "segment": gap.segment,
                    "first_index": gap.first_index,
                    "end_index": gap.end_index,
                    "start_s": self.seconds(gap.start_tick_us),
                    "end_s": self.seconds(gap.end_tick_us),
                }
                for gap in account.gaps
            ],
            "marks": [
                {
                    "segment": mark.segment,
                    "index": mark.index,
                    "t_s": self.seconds(mark.tick_us),
                    "text": mark.text,
                    "host_ns": mark.host_ns,
                }
                for mark in self.marks
            ],
            "clipped": self._clipped.ranges,
            "samples": account.delivered,
            "lost_samples": account.lost,
            "rejected_frames": account.rejected_frames,
            "repeated_frames": account.repeated_frames,
            "ended": ended,
            "interrupted": interrupted,
        }

    def _note(self, block: SampleBlock) -> None:
        self._clipped.feed(block)
        if self.first_tick_us is None:
            self.first_tick_us = int(block.ticks_us[0])
        last = self._stretches[-1] if self._stretches else None
        if (
            last is not None
            and last.segment == block.segment
            and last.first_index + last.rows == block.first_index
        ):
            last.rows += len(block)
        else:
            self._stretches.append(_Stretch(block.segment, block.first_index, len(block)))


def channel_document(channel: Channel, column: str) -> dict[str, Any]:
    """Return one row of a recording's channel table; numbers that the logger gave stay decimal text."""
    return {
        "column": column,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "wire_type": channel.wire_type.name.lower(),
        "divisor": channel.divisor,
        "scale": str(channel.scale),
        "offset": str(channel.offset),
        "range_low": str(channel.range_low),
        "range_high": str(channel.range_high),
        "statistic": channel.statistic.name.lower(),
        "window_us": channel.window_us,
        "bandwidth_hz": str(channel.bandwidth_hz),
        "delay_us": channel.delay_us,
        "sensed_at": channel.sensed_at,
    }
