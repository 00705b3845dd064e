"""Publishing: a live run and the facts of its link as one frozen Snapshot."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from capture.engine.snapshot import (
    ChannelFace,
    ChartWindow,
    LinkState,
    LinkStatus,
    RecordingState,
    RecordingStatus,
    Snapshot,
)

if TYPE_CHECKING:
    from capture.engine.live_run import LiveRun


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """What the session knows of the link: its state, address, what went wrong in words, and the silence."""

    state: LinkState
    address: str
    message: str
    silent_s: float


def snapshot_of(live: LiveRun | None, link: LinkFacts, notice: str) -> Snapshot:
    """Return this moment; `live` is None while no logger has described itself."""
    status = LinkStatus(link.state, link.address, message=link.message, silent_s=link.silent_s)
    if live is None:
        return Snapshot(status, notice=notice)
    recording = RecordingStatus() if live.recording is None else live.recording.status()
    ended = recording.state in {RecordingState.SAVING, RecordingState.SAVED}
    state = live.folds.state()
    figures = live.finished_figures if ended and live.finished_figures else live.folds.report(state)
    return Snapshot(
        link=_link_status(live, status),
        recording=recording,
        channels=_faces(live),
        latest=live.recent.means(),
        power_w=live.recent.power_w(),
        rest_v=live.rest_v(state),
        figures=figures,
        run_s=figures.duration_s,
        chart=_chart(live),
        notice=notice,
    )


def _link_status(live: LiveRun, status: LinkStatus) -> LinkStatus:
    told = live.run if live.recording is None else live.recording.run
    account, missing = told.path.account, live.run.path.missing
    return LinkStatus(
        state=status.state,
        address=status.address,
        logger_name=live.logger.identity.name,
        message=status.message,
        rate_hz=live.recent.rate_hz(time.monotonic()),
        lost_samples=account.lost,
        recovered_samples=account.recovered,
        missing_samples=0 if missing is None else missing[1] - missing[0],
        rejected_frames=account.rejected_frames,
        silent_s=status.silent_s,
    )


def _faces(live: LiveRun) -> tuple[ChannelFace, ...]:
    columns = live.run.path.decoder.columns
    return tuple(
        ChannelFace(column, channel.quantity, channel.unit)
        for column, channel in zip(columns, live.logger.channels, strict=True)
    )


def _chart(live: LiveRun) -> ChartWindow | None:
    """Return the charts' window; its seconds count from the first sample of the run."""
    run = live.run
    first_us = run.first_tick_us
    origin_us = live.envelope.first_tick_us if first_us is None else first_us
    told = run if live.recording is None else live.recording.run
    marks_us = [mark.at.tick_us for mark in told.marks if mark.at.tick_us is not None]
    return live.envelope.window(origin_us, marks_us, run.path.waits_from_us)
