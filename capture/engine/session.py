"""The session: one logger from connecting to closing, with at most one recording at a time.

The engine thread owns everything here; other threads leave requests in a queue and read the newest Snapshot.
"""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

from capture.engine.conversation import Conversation, Turn
from capture.engine.envelope import Envelope
from capture.engine.recent import Recent
from capture.engine.snapshot import (
    ChannelFace,
    ChartWindow,
    LinkState,
    LinkStatus,
    RecordingState,
    RecordingStatus,
    Snapshot,
)
from capture.errors import CaptureError, LinkLost, StorageError
from capture.folds.run import RunFigures, RunFolds
from capture.path import LoggerDescription
from capture.run import Opening, Run
from firmware_protocol.host_link import Described, Started

if TYPE_CHECKING:
    from pathlib import Path

    from capture.engine.recording import ActiveRecording
    from capture.links.address import Link
    from capture.run_card import RunCard

TURN_S: Final = 0.05
PUBLISH_INTERVAL_S: Final = 0.1
SILENT_AFTER_S: Final = 1.0
LOST_AFTER_S: Final = 10.0
CLOSING_LIMIT_S: Final = 120.0


@dataclass(frozen=True, slots=True)
class Settings:
    """What a session is to do: where recordings go, their run card, and when to record.

    With `record_at_once` the first sample of the stream is recorded; `seconds` ends a recording by the
    logger's clock.
    """

    folder: Path
    card: RunCard
    record_at_once: bool = False
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class _Request:
    what: Literal["record", "stop", "mark"]
    text: str = ""


class Session:
    """A conversation with a logger, live figures, and a recording on request."""

    def __init__(self, link: Link, settings: Settings) -> None:
        self.failure: CaptureError | None = None
        self._settings = settings
        self._conversation = Conversation(link)
        self._requests: queue.SimpleQueue[_Request] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._work, name="engine", daemon=True)
        self._logger: LoggerDescription | None = None
        self._run: Run | None = None
        self._folds = RunFolds()
        self._recent = Recent()
        self._envelope: Envelope | None = None
        self._recording: ActiveRecording | None = None
        self._finished_figures: RunFigures | None = None
        self._rest_v: float | None = None
        self._state = LinkState.CONNECTING
        self._notice = ""
        self._streaming_since = 0.0
        self._published = 0.0
        self._snapshot = Snapshot(LinkStatus(LinkState.CONNECTING, link.address))

    # What other threads may call

    def open(self) -> None:
        """Begin to connect; returns at once, the snapshot tells how it goes."""
        self._thread.start()

    def snapshot(self) -> Snapshot:
        """Return the newest snapshot."""
        return self._snapshot

    def start_recording(self) -> None:
        """Ask for a recording from the next sample on."""
        self._requests.put(_Request("record"))

    def stop_recording(self) -> None:
        """Ask for the end of the recording."""
        self._requests.put(_Request("stop"))

    def mark(self, text: str = "") -> None:
        """Ask for a mark at the next sample."""
        self._requests.put(_Request("mark", text))

    def close(self) -> None:
        """Seal the recording, stop the logger, let go of the link; returns when all is done."""
        self._closing.set()
        if self._thread.is_alive():
            self._thread.join()

    # The engine thread

    def _work(self) -> None:
        try:
            self._conversation.open()
            while not self._closing.is_set():
                self._serve_requests()
                self._turn()
                self._publish_when_due()
        except CaptureError as error:
            self._give_up(error)
        except Exception as error:  # noqa: BLE001  a bug here must end the run in words, its samples kept
            where = self._conversation.link.address
            self._give_up(CaptureError(f"recording failed ({error!r})", where, "Please report this line."))
        self._end_recording("the session was closed")
        self._conversation.close()
        while not self._closing.is_set():  # after a failure the screen still asks how things stand
            self._publish_when_due()
            self._closing.wait(PUBLISH_INTERVAL_S)
        if self._recording is not None:
            self._recording.wait(CLOSING_LIMIT_S)
        if self._state is LinkState.STREAMING:
            self._state = LinkState.CLOSED
        self._publish()

    def _turn(self) -> None:
        recording = self._recording
        if recording is not None and not recording.has_room:
            self._notice = "the disk is slow: reading waits for it"
            time.sleep(TURN_S / 2)
            return
        turn = self._conversation.turn(TURN_S)
        if recording is not None and recording.running:
            if turn.received:
                recording.received(turn.host_ns, turn.received)
            if turn.sent:
                recording.sent(turn.host_ns, turn.sent)
        for event in turn.events:
            if isinstance(event, Described):
                self._begin_stream(event)
            elif isinstance(event, Started):
                self._state = LinkState.STREAMING
                self._streaming_since = time.monotonic()
        self._take(turn)
        if turn.failure is not None:
            raise turn.failure
        self._watch_silence()

    def _begin_stream(self, described: Described) -> None:
        address = self._conversation.link.address
        self._logger = LoggerDescription(described.identity, described.channels, address)
        self._new_run()
        if self._settings.record_at_once:
            self._begin_recording()
        sent = self._conversation.start()
        if self._recording is not None:
            self._recording.sent(time.time_ns(), sent)

    def _take(self, turn: Turn) -> None:
        if self._run is None or not turn.events:
            return
        blocks = self._run.receive(turn.events, turn.host_ns)
        if not blocks:
            return
        self._folds.feed(blocks)
        now = time.monotonic()
        for block in blocks:
            self._recent.feed(block, now)
            if self._envelope is not None:
                self._envelope.feed(block)
        if self._recording is not None and self._recording.running:
            self._recording.write(blocks)
            if self._run.path.complete:
                self._end_recording("the planned time was over")

    def _new_run(self) -> None:
        """Begin a run where the stream stands now; the charts go on."""
        if self._logger is None:
            return
        start = None if self._run is None else self._run.path.position
        opening = Opening(time.time_ns(), self._logger, self._settings.card, start)
        self._run = Run(opening)
        self._folds = _folds_of(self._logger, self._run)
        if self._envelope is None:
            self._envelope = Envelope(self._run.path.decoder.columns)

    def _serve_requests(self) -> None:
        while not self._requests.empty():
            request = self._requests.get()
            running = self._recording is not None and self._recording.running
            if request.what == "record" and not running:
                try:
                    self._begin_recording()
                except StorageError as error:  # the stream goes on: the operator may make room
                    self._notice = str(error)
            elif request.what == "stop" and running:
                self._end_recording("the operator stopped it")
            elif request.what == "mark":
                self._mark(request.text)

    def _begin_recording(self) -> None:
        """Record from the next sample on; raises StorageError where no file can be made."""
        from capture.engine.recording import ActiveRecording  # pyarrow loads here, after the first paint

        if self._run is None or self._logger is None:
            self._notice = "no logger yet: recording can start once it is connected"
            return
        if self._recording is not None and not self._recording.finished:
            self._notice = "the last recording is still being saved"
            return
        seconds, interval_ns = self._settings.seconds, self._logger.identity.interval_ns
        limit = None if seconds is None else max(1, round(seconds * 1e9 / interval_ns))
        streaming = self._run.path.position.next_index is not None
        start = self._run.path.position if streaming else None
        run = Run(Opening(time.time_ns(), self._logger, self._settings.card, start, limit))
        self._recording = ActiveRecording(run, self._settings.folder, self._conversation.host.pending)
        self._run, self._folds, self._finished_figures = run, _folds_of(self._logger, run), None
        self._notice = f"recording to {self._recording.path.name}"

    def _end_recording(self, ended: str, *, interrupted: bool = False) -> None:
        if self._recording is None or not self._recording.running:
            return
        self._finished_figures = self._folds.figures()
        self._recording.seal(ended, interrupted=interrupted)
        self._notice = f"recording ended: {ended}"
        self._new_run()

    def _mark(self, text: str) -> None:
        if self._recording is None or not self._recording.running:
            self._notice = "nothing is recorded, so there is nothing to mark: press r first"
            return
        mark = self._recording.mark(text)
        at_s = self._recording.run.seconds(mark.tick_us)
        self._notice = f"mark {len(self._recording.run.marks)}" + (
            "" if at_s is None else f" at {at_s:.1f} s"
        )

    def _watch_silence(self) -> None:
        if self._state not in {LinkState.STREAMING, LinkState.SILENT}:
            return
        silent_s = self._silent_s()
        self._state = LinkState.SILENT if silent_s > SILENT_AFTER_S else LinkState.STREAMING
        if silent_s > LOST_AFTER_S:
            raise LinkLost(
                f"the logger has sent nothing for {LOST_AFTER_S:.0f} s",
                self._conversation.link.address,
                "Check its supply and its cable, then connect again.",
            )

    def _silent_s(self) -> float:
        last = self._recent.last_arrival or self._streaming_since
        return max(0.0, time.monotonic() - last) if last else 0.0

    def _give_up(self, error: CaptureError) -> None:
        self.failure = error
        seen = self._recent.last_arrival is not None
        self._state = LinkState.LOST if seen else LinkState.FAILED
        self._end_recording(f"{error.where}: {error.what}", interrupted=True)

    # The snapshot

    def _publish_when_due(self) -> None:
        if time.monotonic() - self._published >= PUBLISH_INTERVAL_S:
            self._publish()

    def _publish(self) -> None:
        self._published = time.monotonic()
        recording = RecordingStatus() if self._recording is None else self._recording.status()
        ended = recording.state in {RecordingState.SAVING, RecordingState.SAVED}
        state = self._folds.state()
        if state.rest.latest is not None:
            self._rest_v = state.rest.latest.voltage_v
        figures = self._finished_figures if ended and self._finished_figures else self._folds.report(state)
        self._snapshot = Snapshot(
            link=self._link_status(),
            recording=recording,
            channels=self._faces(),
            latest=self._recent.means(),
            power_w=self._recent.power_w(),
            rest_v=self._rest_v,
            figures=figures if self._run is not None else None,
            run_s=figures.duration_s,
            chart=self._chart(),
            notice=self._notice,
        )

    def _link_status(self) -> LinkStatus:
        status = LinkStatus(self._state, self._conversation.link.address)
        if self.failure is not None:
            status = replace(status, message=str(self.failure))
        if self._logger is None or self._run is None:
            return status
        recorded = self._recording.run if self._recording is not None else self._run
        account = recorded.path.account
        return replace(
            status,
            logger_name=self._logger.identity.name,
            rate_hz=self._recent.rate_hz(time.monotonic()),
            lost_samples=account.lost,
            rejected_frames=account.rejected_frames,
            silent_s=self._silent_s(),
        )

    def _faces(self) -> tuple[ChannelFace, ...]:
        if self._logger is None or self._run is None:
            return ()
        columns = self._run.path.decoder.columns
        return tuple(
            ChannelFace(column, channel.quantity, channel.unit)
            for column, channel in zip(columns, self._logger.channels, strict=True)
        )

    def _chart(self) -> ChartWindow | None:
        if self._envelope is None or self._run is None:
            return None
        recording = self._recording
        run = recording.run if recording is not None and recording.running else self._run
        marks = (
            []
            if recording is None
            else [mark.tick_us for mark in recording.run.marks if mark.tick_us is not None]
        )
        return self._envelope.window(run.first_tick_us or self._envelope.first_tick_us, marks)


def _folds_of(logger: LoggerDescription, run: Run) -> RunFolds:
    """Return folds that know how often each column is due."""
    columns = run.path.decoder.columns
    divisors = (channel.divisor for channel in logger.channels)
    return RunFolds(divisors=dict(zip(columns, divisors, strict=True)))
