"""Publishing: a live run and the facts of its link as one frozen Snapshot."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from capture.cut_figures import numbered_cuts
from capture.engine.snapshot import (
    ChannelFace,
    ChartWindow,
    LinkState,
    LinkStatus,
    RecordingState,
    RecordingStatus,
    ShadedCut,
    Snapshot,
)

if TYPE_CHECKING:
    from capture.cut_figures import NumberedCut
    from capture.engine.live_run import LiveRun
    from capture.folds.figures import RunFigures

#: More cuts than this in the minute of the chart could not be told apart on it.
MOST_SHADED: Final = 40


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
    recording = replace(recording, armed=live.armed, ends_in_s=live.ends_in_s)
    ended = recording.state in {RecordingState.SAVING, RecordingState.SAVED}
    state = live.folds.state()
    figures = live.finished_figures if ended and live.finished_figures else live.folds.report(state)
    latest, card = live.recent.means(), live.run.opening.card if live.records else live.card
    return Snapshot(
        link=_link_status(live, status),
        recording=recording,
        channels=_faces(live),
        latest=latest,
        power_w=live.recent.power_w(),
        rest_v=live.rest_v(state),
        figures=figures,
        run_s=figures.duration_s,
        chart=_chart(live, figures),
        card=card,
        guide=live.guide,
        alarms=live.limits.alarms(latest, card, time.monotonic()),
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
        ring_s=live.logger.identity.ring_samples * live.logger.identity.interval_ns * 1e-9,
    )


def _faces(live: LiveRun) -> tuple[ChannelFace, ...]:
    columns = live.run.path.decoder.columns
    return tuple(
        ChannelFace(column, channel.quantity, channel.unit)
        for column, channel in zip(columns, live.logger.channels, strict=True)
    )


def _chart(live: LiveRun, figures: RunFigures) -> ChartWindow | None:
    """Return the charts' window; its seconds count from the first sample of the run."""
    run = live.run
    first_us = run.first_tick_us
    origin_us = live.envelope.first_tick_us if first_us is None else first_us
    told = run if live.recording is None else live.recording.run
    marks_us = [mark.at.tick_us for mark in told.marks if mark.at.tick_us is not None]
    window = live.envelope.window(origin_us, marks_us, run.path.waits_from_us)
    if window is None:
        return None
    oldest_s = window.end_s - len(window) * window.bin_s
    cuts = [_shaded(cut, origin_us) for cut in numbered_cuts(figures, MOST_SHADED)]
    return replace(window, cuts=tuple(cut for cut in cuts if cut.end_s > oldest_s))


def _shaded(cut: NumberedCut, origin_us: int) -> ShadedCut:
    record = cut.record
    return ShadedCut(cut.number, (record.start_us - origin_us) * 1e-6, (record.end_us - origin_us) * 1e-6)
