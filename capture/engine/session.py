"""The session: one logger from connecting to closing, with at most one recording at a time.

The engine thread owns everything here; other threads leave requests in a queue and read the newest Snapshot.
"""

from __future__ import annotations

import queue
import threading
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from capture.engine.backfill import Ask, Backfill, GiveUp
from capture.engine.conversation import Conversation, Turn
from capture.engine.live_run import LiveRun, Settings
from capture.engine.publishing import LinkFacts, snapshot_of
from capture.engine.snapshot import LinkState, LinkStatus, Snapshot
from capture.errors import CaptureError, InputError, LinkError, LinkLost, StorageError
from capture.path import LoggerDescription
from firmware_protocol.host_link import Described, Started
from firmware_protocol.messages import Samples

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.events import TypedReading
    from capture.links.address import Link
    from capture.run_card import RunCard
    from firmware_protocol.messages import Channel

TURN_S: Final = 0.05
PUBLISH_INTERVAL_S: Final = 0.1
SILENT_AFTER_S: Final = 1.0
LOST_AFTER_S: Final = 4.0
#: A slow logger sends seldom: silence is told from the time that a message of its samples spans.
SILENT_MESSAGES: Final = 3
LOST_MESSAGES: Final = 6
MOST_ROWS: Final = 255
RECONNECT_EVERY_S: Final = 0.5
CLOSING_LIMIT_S: Final = 120.0


@dataclass(slots=True)
class _Absence:
    """A link that went away: since when, why, and when to try again (the host's monotonic clock)."""

    since: float
    reason: LinkError
    next_try: float


class Session:
    """A conversation with a logger, live figures, and a recording on request."""

    def __init__(self, link: Link, settings: Settings) -> None:
        self.failure: CaptureError | None = None
        self._settings = settings
        self._conversation = Conversation(link)
        self._requests: queue.SimpleQueue[Callable[[LiveRun], str]] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._work, name="engine", daemon=True)
        self._live: LiveRun | None = None
        self._backfill = Backfill()
        self._absence: _Absence | None = None
        self._state = LinkState.CONNECTING
        self._notice = ""
        self._rows_seen = 0
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
        self._requests.put(self._start_recording)

    def stop_recording(self) -> None:
        """Ask for the end of the recording."""
        self._requests.put(self._stop_recording)

    def mark(self, text: str = "") -> None:
        """Ask for a mark at the next sample."""
        self._requests.put(lambda live: live.mark(text))

    def note(self, text: str) -> None:
        """Ask for a note about the run."""
        self._requests.put(lambda live: live.note(text))

    def reading(self, reading: TypedReading) -> None:
        """Ask that what a gauge shows be kept with this moment."""
        self._requests.put(lambda live: live.reading(reading))

    def zero(self, column: str) -> None:
        """Ask that the present reading of a channel be taken for its zero."""
        self._requests.put(lambda live: live.zero(column))

    def arm(self, *, armed: bool) -> None:
        """Ask that the next load start a recording, or that it do not."""
        self._requests.put(lambda live: live.arm(armed=armed))

    def use_card(self, card: RunCard) -> None:
        """Ask that recordings from the next one on carry `card`."""
        self._requests.put(lambda live: live.use_card(card))

    def close(self) -> None:
        """Seal the recording, stop the logger, let go of the link; returns when all is done."""
        self._closing.set()
        if self._thread.is_alive():
            self._thread.join()

    # The engine thread

    def _work(self) -> None:
        try:
            self._conversation.open()
            while not self._may_end():
                self._serve_requests()
                self._turn()
                self._publish_when_due()
        except CaptureError as error:
            self._give_up(error)
        except Exception as error:  # noqa: BLE001  a bug here must end the run in words, its samples kept
            where = self._conversation.link.address
            self._give_up(CaptureError(f"recording failed ({error!r})", where, "Please report this line."))
        self._conversation.close()
        while not self._closing.is_set():  # after a failure the screen still asks how things stand
            self._publish_when_due()
            self._closing.wait(PUBLISH_INTERVAL_S)
        if self._live is not None and self._live.recording is not None:
            self._live.recording.wait(CLOSING_LIMIT_S)
        if self._state in {LinkState.STREAMING, LinkState.SILENT}:
            self._state = LinkState.CLOSED
        self._publish()

    def _may_end(self) -> bool:
        """Return whether the session is to close and nothing is left to wait for."""
        if not self._closing.is_set():
            return False
        live = self._live
        if live is None:
            return True
        if self._absence is not None:
            live.cut_off(f"the session was closed while the link was lost: {self._absence.reason}")
        live.end_recording("the session was closed")
        return not live.records

    def _turn(self) -> None:
        live = self._live
        if live is not None and not live.has_room:
            self._notice = "the disk is slow: reading waits for it"
            time.sleep(TURN_S / 2)
            return
        if self._absence is not None and not self._try_again(self._absence):
            return
        try:
            turn = self._conversation.turn(TURN_S)
            self._take(turn)
            if turn.failure is not None:
                raise turn.failure
            self._ask_again()
            self._watch_silence()
        except LinkError as error:
            self._link_lost(error)

    def _take(self, turn: Turn) -> None:
        begun = False
        for event in turn.events:
            match event:
                case Described():
                    begun = self._described(event)
                case Started():
                    self._streams()
                case Samples():
                    self._rows_seen = max(self._rows_seen, event.count)
        if self._live is not None and not begun and (turn.events or turn.received or turn.sent):
            self._live.receive(turn)

    def _described(self, described: Described) -> bool:
        """Start the logger's stream; return whether a run began with it that has not seen this turn's bytes.

        A logger that restarted in mid-run goes on in the same run, as long as its channels are the same.
        """
        address = self._conversation.link.address
        calibrated = self._settings.bench.logger(described.identity.name, self._settings.logger)
        logger = LoggerDescription(described.identity, described.channels, address, calibrated)
        goes_on = self._live is not None and _same_channels(self._live.logger, logger)
        if self._live is not None and not goes_on:
            self._live.cut_off(f"{address}: another logger answers now, {logger.identity.name}")
        if self._live is None or not goes_on:
            self._live = LiveRun(logger, self._settings, self._tell)
            if self._settings.record_at_once:
                self._notice = self._live.record(self._conversation.host.pending)
        self._live.logger = logger
        self._live.sent(self._conversation.start())
        return not goes_on

    def _streams(self) -> None:
        self._state = LinkState.STREAMING
        self._streaming_since = time.monotonic()
        if self._absence is not None and self._live is not None:
            away_s = time.monotonic() - self._absence.since
            self._absence = None
            self._live.link_back()
            self._notice = f"the link is back after {away_s:.0f} s"

    def _ask_again(self) -> None:
        """Ask for samples that are missing, or give them up."""
        if self._live is None or not self._conversation.host.can_ask:
            return
        match self._backfill.next_step(self._live.run.path.missing, time.monotonic()):
            case Ask(first_index, count):
                self._live.sent(self._conversation.resend(first_index, count))
            case GiveUp(end_index, why):
                self._live.give_up_waiting(end_index, why)

    def _serve_requests(self) -> None:
        while not self._requests.empty():
            request = self._requests.get()
            if self._live is None:
                self._notice = "no logger yet: this works once it is connected"
            else:
                self._notice = request(self._live)

    def _start_recording(self, live: LiveRun) -> str:
        try:
            return live.record(self._conversation.host.pending)
        except (StorageError, InputError) as error:  # the stream goes on: the operator may make room
            return str(error)

    def _stop_recording(self, live: LiveRun) -> str:
        if self._absence is not None:
            live.cut_off(f"the operator stopped it while the link was lost: {self._absence.reason}")
        else:
            live.stop_recording()
        return self._notice

    def _tell(self, notice: str) -> None:
        self._notice = notice

    # When the link goes away

    def _watch_silence(self) -> None:
        if self._state not in {LinkState.STREAMING, LinkState.SILENT}:
            return
        silent_s, message_s = self._silent_s(), self._message_s
        silent = silent_s > max(SILENT_AFTER_S, SILENT_MESSAGES * message_s)
        self._state = LinkState.SILENT if silent else LinkState.STREAMING
        if silent_s > max(LOST_AFTER_S, LOST_MESSAGES * message_s):
            raise LinkLost(
                f"the logger has sent nothing for {silent_s:.0f} s",
                self._conversation.link.address,
                "Check its supply and its cable, then connect again.",
            )

    @property
    def _message_s(self) -> float:
        """How long a message of samples may be under way: what the longest one so far spans."""
        if self._live is None:
            return 0.0
        return (self._rows_seen or MOST_ROWS) * self._live.logger.identity.interval_ns * 1e-9

    def _silent_s(self) -> float:
        last = self._live.recent.last_arrival if self._live is not None else None
        last = max(last or 0.0, self._streaming_since)
        return max(0.0, time.monotonic() - last) if last else 0.0

    def _link_lost(self, error: LinkError) -> None:
        """Let go of the link and seek it again; raise `error` where that is not wanted, or was in vain."""
        now = time.monotonic()
        absence = self._absence or _Absence(now, error, now)
        if self._live is None or now - absence.since >= self._settings.reconnect_s:
            raise absence.reason
        absence.next_try = now + RECONNECT_EVERY_S
        self._absence, self._state = absence, LinkState.RECONNECTING
        self._conversation.let_go()
        self._backfill.link_lost()
        self._live.link_lost(str(error))

    def _try_again(self, absence: _Absence) -> bool:
        """Open the link again when it is time to; return whether it is open."""
        if self._live is None or self._conversation.is_open:
            return True
        now = time.monotonic()
        if now - absence.since >= self._settings.reconnect_s:
            raise absence.reason
        if now < absence.next_try:
            time.sleep(TURN_S)
            return False
        absence.next_try = now + RECONNECT_EVERY_S
        try:
            self._live.sent(self._conversation.open(self._live.logger))
        except LinkError:
            self._conversation.let_go()
            return False
        return True

    def _give_up(self, error: CaptureError) -> None:
        self.failure = error
        seen = self._live is not None and self._live.recent.last_arrival is not None
        self._state = LinkState.LOST if seen else LinkState.FAILED
        if self._live is not None:
            self._live.cut_off(f"{error.where}: {error.what}")

    # The snapshot

    def _trouble(self) -> str:
        """Return what is wrong with the link in one line, empty while all is well."""
        if self.failure is not None:
            return str(self.failure)
        if self._absence is None:
            return ""
        reason = self._absence.reason
        return f"{reason.where}: {reason.what}. Put it right: it is tried again by itself."

    def _publish_when_due(self) -> None:
        if time.monotonic() - self._published >= PUBLISH_INTERVAL_S:
            self._publish()

    def _publish(self) -> None:
        self._published = time.monotonic()
        facts = LinkFacts(self._state, self._conversation.link.address, self._trouble(), self._silent_s())
        self._snapshot = snapshot_of(self._live, facts, self._notice)


def _same_channels(left: LoggerDescription, right: LoggerDescription) -> bool:
    """Return whether samples of both lie in the same rows and mean the same."""

    def described(logger: LoggerDescription) -> list[Channel]:
        return [replace(channel, command_id=0) for channel in logger.channels]

    return left.identity.interval_ns == right.identity.interval_ns and described(left) == described(right)
