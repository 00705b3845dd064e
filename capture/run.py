"""A run as it is recorded: what its logger sent and what happened beside it, and the document that stays.

Live recording and recovery drive the same `Run` with the same bytes and the same events; the document is
built here and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from capture import clock
from capture.clipping import ClippedRanges
from capture.events import (
    Ended,
    Ending,
    Event,
    GapDeclared,
    LinkBack,
    LinkLost,
    Mark,
    Moment,
    Note,
    Reading,
    Zero,
)
from capture.opening import Opening, software_version
from capture.path import Arrival, SamplePath
from capture.quantities import column_name, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.blocks import SampleBlock
    from firmware_protocol.messages import Channel

DOCUMENT_FORMAT: Final = 2


@dataclass(slots=True)
class _Stretch:
    """Rows whose indices follow one another."""

    segment: int
    first_index: int
    rows: int


class Run:
    """One run from its opening on: messages and events in, ordered blocks out, a document at the end."""

    def __init__(self, opening: Opening) -> None:
        self.opening = opening
        self.path = SamplePath(opening.logger, opening.start, opening.sample_limit)
        self.first_tick_us: int | None = None
        self.marks: list[Mark] = []
        self.ended: Ended | None = None
        self.readings: list[Reading] = []
        self._notes: list[Note] = []
        self._zeros: list[Zero] = []
        self._links: list[LinkLost | LinkBack] = []
        self._clipped = ClippedRanges()
        self._stretches: list[_Stretch] = []
        self._clock = clock.ClockFit()
        for column, offset in opening.zeros.items():
            self.path.decoder.zeros.set(column, offset, 0, 0)

    def receive(self, messages: Iterable[object], host_ns: int | None = None) -> Arrival:
        """Return what `messages`, which came at `host_ns` of the host's clock, bring."""
        arrival = self.path.receive(messages, host_ns)
        self._note(arrival.ordered)
        newest = arrival.fresh[-1] if arrival.fresh else None
        if newest is not None and host_ns is not None and self._is_on_time(newest):
            self._clock = clock.update(self._clock, int(newest.ticks_us[-1]), host_ns)
        return arrival

    def moment(self, host_ns: int) -> Moment:
        """Return where the stream stands, as the moment `host_ns` of the host's clock."""
        at = self.path.position
        return Moment(host_ns, self.path.segment, at.next_index, at.next_tick_us)

    def apply(self, event: Event) -> list[SampleBlock]:
        """Let `event` happen; return the blocks that need not wait any more."""
        ordered: list[SampleBlock] = []
        match event:
            case Mark():
                self.marks.append(event)
            case Note():
                self._notes.append(event)
            case Reading():
                self.readings.append(event)
            case Zero():
                self._zeros.append(event)
                self.path.decoder.zeros.set(event.column, event.offset, event.at.segment, event.at.index or 0)
            case LinkLost():
                self._links.append(event)
                self.path.link_lost()
            case LinkBack():
                self._links.append(event)
            case GapDeclared():
                ordered = self.path.declare_lost(event.end_index, event.why)
            case Ending():
                ordered = self.path.end_at(event.end_index)
            case Ended():
                self.ended = event
                ordered = self.path.declare_all_lost("the run ended before they came")
        self._note(ordered)
        return ordered

    def seconds(self, tick_us: int | None) -> float | None:
        """Return a tick as seconds since the first sample, None where either is not known."""
        if tick_us is None or self.first_tick_us is None:
            return None
        return (tick_us - self.first_tick_us) * 1e-6

    def document(self) -> dict[str, Any]:
        """Return what stays with the samples of a run that has ended."""
        if self.ended is None:
            raise ValueError("a run has no document before it has ended")
        account = self.path.account
        return {
            "format": DOCUMENT_FORMAT,
            "software": {"name": "sagline", "version": software_version()},
            "opened": datetime.fromtimestamp(self.opening.opened_ns * 1e-9, UTC).isoformat(),
            "opened_ns": self.opening.opened_ns,
            "run_card": self.opening.card.as_json(),
            "logger": self._logger_document(),
            "channels": [
                channel_document(channel, column)
                for channel, column in zip(
                    self.opening.logger.channels, self.path.decoder.columns, strict=True
                )
            ],
            **self._calibration_document(),
            "first_tick_us": self.first_tick_us,
            "clock": self._clock.as_json(self.first_tick_us),
            "stretches": [[part.segment, part.first_index, part.rows] for part in self._stretches],
            "segments": [
                {"boot_id": segment.boot_id, "first_index": segment.first_index, "shift_us": segment.shift_us}
                for segment in self.path.segments
            ],
            "gaps": self._gap_documents(),
            **self._event_documents(),
            "clipped": self._clipped.ranges,
            "samples": account.delivered,
            "recovered_samples": account.recovered,
            "lost_samples": account.lost,
            "rejected_frames": account.rejected_frames,
            "repeated_frames": account.repeated_frames,
            "ended": self.ended.how,
            "interrupted": self.ended.interrupted,
        }

    def _is_on_time(self, block: SampleBlock) -> bool:
        """Return whether `block` tells how late samples come: what was asked for again does not."""
        return block.segment == 0 and block.end_index == self.path.position.next_index

    def _logger_document(self) -> dict[str, Any]:
        identity = self.opening.logger.identity
        return {
            "address": self.opening.logger.address,
            "name": identity.name,
            "firmware": identity.firmware,
            "interval_ns": identity.interval_ns,
            "ring_samples": identity.ring_samples,
            "protocol_version": identity.version,
        }

    def _calibration_document(self) -> dict[str, Any]:
        calibrated, logger = self.opening.logger.calibrated, self.opening.logger
        given = {column_name(channel.quantity, channel.unit): None for channel in logger.channels}
        return {
            "calibrations": [
                calibration.as_json()
                for calibration in calibrated.of({column: None for column in given if column is not None})
            ],
            "calibrated_as": calibrated.name or None,
            "rig": None if calibrated.rig is None else calibrated.rig.as_json(),
        }

    def _gap_documents(self) -> list[dict[str, Any]]:
        return [
            {
                "segment": gap.segment,
                "first_index": gap.first_index,
                "end_index": gap.end_index,
                "start_s": self.seconds(gap.start_tick_us),
                "end_s": self.seconds(gap.end_tick_us),
                "why": gap.why,
            }
            for gap in self.path.account.gaps
        ]

    def _event_documents(self) -> dict[str, Any]:
        return {
            "marks": [{**self._when(mark.at), "text": mark.text} for mark in self.marks],
            "notes": [{**self._when(note.at), "text": note.text} for note in self._notes],
            "readings": [
                {
                    **self._when(reading.at),
                    "quantity": reading.quantity,
                    "value": reading.value,
                    "unit": reading.unit,
                    "resolution": reading.resolution,
                }
                for reading in self.readings
            ],
            "zeros_before": dict(self.opening.zeros),
            "zeros": [
                {**self._when(zero.at), "column": zero.column, "offset": zero.offset} for zero in self._zeros
            ],
            "links": [
                {**self._when(link.at), "lost": link.why if isinstance(link, LinkLost) else None}
                for link in self._links
            ],
        }

    def _when(self, at: Moment) -> dict[str, Any]:
        return {
            "segment": at.segment,
            "index": at.index,
            "t_s": self.seconds(at.tick_us),
            "host_ns": at.host_ns,
        }

    def _note(self, blocks: Iterable[SampleBlock]) -> None:
        for block in blocks:
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
    """Return one row of a recording's channel table; numbers that the logger gave stay decimal text.

    `unit` is that of the column, which a calibration may have changed; all other fields are the logger's.
    """
    return {
        "column": column,
        "quantity": channel.quantity,
        "unit": unit_of(column) or channel.unit,
        "given_unit": channel.unit,
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
