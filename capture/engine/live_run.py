"""The samples of one logger as they come: figures of the moment at all times, a recording on request."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from capture.bench import Bench
from capture.engine.arming import TAIL_S, Arming
from capture.engine.envelope import Envelope
from capture.engine.guiding import Guiding, can_guide
from capture.engine.limits import LimitWatch
from capture.engine.pre_trigger import PreTrigger
from capture.engine.recent import Recent
from capture.errors import InputError, StorageError
from capture.events import (
    Ended,
    Ending,
    Event,
    GapDeclared,
    LinkBack,
    LinkLost,
    Mark,
    Note,
    Reading,
    Zero,
)
from capture.folds.run import folds_for
from capture.opening import Opening
from capture.run import Run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from capture.blocks import SampleBlock
    from capture.engine.conversation import Turn
    from capture.engine.recording import ActiveRecording
    from capture.events import TypedReading
    from capture.folds.figures import RunFigures
    from capture.folds.run import RunState
    from capture.guide.steps import GuidePlan, GuideReport
    from capture.path import LoggerDescription
    from capture.placing import Position
    from capture.run_card import RunCard

#: A recording that is to end waits no longer than this for samples that are missing in it.
ENDING_WAIT_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Settings:
    """What a session is to do: where recordings go, their run card, and when to record.

    With `record_at_once` the first sample of the stream is recorded; `armed` waits for a load, begins some
    seconds before it, ends `tail_s` after it has gone, and waits for the next load if it is to `arm_again`;
    `seconds` ends any recording. All count by the logger's clock. A link that is lost in mid-run is sought
    again for `reconnect_s`. With a `name` the file is called so, else after its beginning and its pack.
    `bench` knows the calibrations of loggers; `logger` is the name there of the one that is recorded. With a
    `guide` every recording is a sag test by this plan, and nothing is armed.
    """

    folder: Path
    card: RunCard
    record_at_once: bool = False
    armed: bool = False
    arm_again: bool = True
    tail_s: float = TAIL_S
    seconds: float | None = None
    reconnect_s: float = 0.0
    name: str | None = None
    bench: Bench = field(default_factory=Bench)
    logger: str | None = None
    guide: GuidePlan | None = None


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A recording's end that waits for missing samples until `deadline`, by the host's monotonic clock."""

    how: str
    deadline: float


class LiveRun:
    """The current run of one logger: recorded or only watched, its folds, charts and zeros.

    `tell` takes what the operator should know of a recording that ends.
    """

    def __init__(self, logger: LoggerDescription, settings: Settings, tell: Callable[[str], None]) -> None:
        self.logger = logger
        self.recording: ActiveRecording | None = None
        self.finished_figures: RunFigures | None = None
        self.card = settings.card
        self._settings = settings
        self._tell = tell
        self._ending: _Wanted | None = None
        self._by_itself = False
        self._guiding: Guiding | None = None
        self._rest_v: float | None = None
        self._before_load = PreTrigger()
        self._begin(Run(Opening(time.time_ns(), logger, self.card)))
        self.envelope = Envelope(self.run.path.decoder.columns)
        self.recent = Recent(self.run.path.decoder.periods_us)
        self._arming = Arming(armed=settings.armed, tail_s=settings.tail_s)
        self.limits = LimitWatch()

    @property
    def records(self) -> bool:
        """Whether samples go into a recording now."""
        return self.recording is not None and self.recording.running

    @property
    def has_room(self) -> bool:
        """Whether the writer can take another turn."""
        return self.recording is None or self.recording.has_room

    @property
    def armed(self) -> bool:
        """Whether the next load starts a recording, and the end of the load ends it."""
        return self._arming.armed

    @property
    def ends_in_s(self) -> float | None:
        """Seconds until the recording ends by itself; None while it is not about to."""
        return self._arming.ends_in_s if self.records and self._by_itself and self.armed else None

    @property
    def guide(self) -> GuideReport | None:
        """How the guided test of the newest recording stands; None where there is none."""
        return None if self._guiding is None else self._guiding.report()

    def rest_v(self, state: RunState) -> float | None:
        """Return the voltage of the latest rest since connecting: that of the run's `state` if it has one."""
        if state.rest.latest is not None:
            self._rest_v = state.rest.latest.voltage_v
        return self._rest_v

    # Bytes, samples and events

    def receive(self, turn: Turn) -> None:
        """Take what a turn of the conversation brought."""
        stood = self.run.path.position
        if self.records and self.recording is not None:
            if turn.received:
                self.recording.received(turn.host_ns, turn.received)
            if turn.sent:
                self.recording.sent(turn.host_ns, turn.sent)
        arrival = self.run.receive(turn.events, turn.host_ns)
        now = time.monotonic()
        for block in arrival.fresh:
            self.recent.feed(block, now)
            self.envelope.feed(block)
            self._arming.feed(block)
        self._deliver(arrival.ordered)
        if not self.records:
            self._before_load.feed(stood, turn, self.run.path.position.next_tick_us)
            self._start_if_load()
        self._follow_guide()
        self._end_if_due()

    def sent(self, sent: bytes) -> None:
        """Take note of bytes that went to the logger outside a turn."""
        if self.records and self.recording is not None and sent:
            self.recording.sent(time.time_ns(), sent)

    def give_up_waiting(self, end_index: int, why: str) -> None:
        """Declare what is missing before `end_index` as lost."""
        self._happened(GapDeclared(self.run.moment(time.time_ns()), end_index, why))
        self._end_if_due()

    def link_lost(self, why: str) -> None:
        """Take note that the link went away."""
        self._happened(LinkLost(self.run.moment(time.time_ns()), why))

    def link_back(self) -> None:
        """Take note that the logger sends again."""
        self._happened(LinkBack(self.run.moment(time.time_ns())))

    def _happened(self, event: Event) -> None:
        if self.records and self.recording is not None:
            self._deliver(self.recording.happened(event))
        else:
            self._before_load.clear()  # what the operator or the link did is no part of a run's beginning
            self._deliver(self.run.apply(event))

    def _deliver(self, ordered: Iterable[SampleBlock]) -> None:
        blocks = list(ordered)
        self.folds.feed(blocks)
        if self.records and self.recording is not None:
            self.recording.write(blocks)
            if self._guiding is not None:
                self._guiding.feed(blocks)

    def _follow_guide(self) -> None:
        """Mark the turns that the guided test has taken, and end the recording when it is over."""
        if self._guiding is None or not self.records:
            return
        for mark in self._guiding.new_marks(time.time_ns()):
            self._happened(mark)
        how = self._guiding.ended_how
        if how is not None:
            self.end_recording(how)

    # What the operator asks for; each returns what was done, in words

    def mark(self, text: str) -> str:
        """Mark the moment in the recording."""
        if not self.records:
            return "nothing is recorded, so there is nothing to mark: press r first"
        event = Mark(self.run.moment(time.time_ns()), text)
        self._happened(event)
        at_s = self.run.seconds(event.at.tick_us)
        return f"mark {len(self.run.marks)}" + ("" if at_s is None else f" at {at_s:.1f} s")

    def note(self, text: str) -> str:
        """Add a note to the recording."""
        if not self.records:
            return "nothing is recorded, so there is nothing to note it in: press r first"
        self._happened(Note(self.run.moment(time.time_ns()), text))
        return "noted"

    def reading(self, reading: TypedReading) -> str:
        """Keep what a gauge shows now."""
        if not self.records:
            return "nothing is recorded, so there is nothing to keep it in: press r first"
        at = self.run.moment(time.time_ns())
        self._happened(Reading(at, reading.quantity, reading.value, reading.unit, reading.resolution))
        return f"{reading.quantity} {reading.value:g} {reading.unit} kept"

    def use_card(self, card: RunCard) -> str:
        """Take `card` for the recordings that begin from now on."""
        self.card = card
        return f"the next run: {card.pack or 'a pack without a name'}, {card.kind or 'any kind of run'}"

    def arm(self, *, armed: bool) -> str:
        """Let the next load start a recording, or not."""
        if self._settings.guide is not None:
            return "a guided test is not armed: r begins the next one"
        self._arming.arm(armed=armed)
        if not armed:
            return "nothing starts or ends by itself now: r records"
        if self.records and not self._by_itself:
            return "armed for the next run; this one ends when you press r"
        return "armed: a load starts the recording, some seconds before it"

    def zero(self, column: str) -> str:
        """Take the present reading of a channel for its zero, from the next sample on."""
        present = self.recent.means().get(column)
        if present is None:
            return f"{column} has no reading, so it cannot be zeroed"
        offset = self.run.path.decoder.zeros.present().get(column, 0.0) + present
        self._happened(Zero(self.run.moment(time.time_ns()), column, offset))
        return f"{column} zeroed: {offset:.4g} is taken from it from now on"

    def record(self, pending: bytes) -> str:
        """Record from the next sample on; `pending` are bytes of a frame that has begun.

        Raises StorageError where no file can be made, and InputError where a guided test is wanted of a
        logger that has no current or no voltage.
        """
        columns = self.run.path.decoder.columns
        if self._settings.guide is not None and not can_guide(columns):
            told = ", ".join(columns) or "nothing"
            raise InputError(
                f"a sag test needs current and voltage, and the logger has {told}",
                self.logger.address,
                "Record without --guide, or choose another logger.",
            )
        if self.records:
            return "it is recorded already"
        if self._is_saving:
            return "the last recording is still being saved"
        self._by_itself = False
        path = self._open(self.run.path.position, time.time_ns(), pending).path
        if self._guiding is not None:
            self._happened(Note(self.run.moment(time.time_ns()), self._guiding.plan_words()))
        return f"recording to {path.name}"

    @property
    def _is_saving(self) -> bool:
        return self.recording is not None and not self.recording.finished

    def _open(self, at: Position, opened_ns: int, pending: bytes) -> ActiveRecording:
        """Open a recording of the stream from where it stood `at`."""
        from capture.engine.recording import ActiveRecording  # pyarrow loads here, after the first paint

        run = Run(self._opening(at, opened_ns, self._sample_limit()))
        self.recording = ActiveRecording(run, self._settings.folder, pending, self._settings.name)
        self.finished_figures = self._ending = None
        self.card = replace(self.card, repeats=None)  # one run does another again, not all that follow it
        self._begin(run)
        plan, interval_ns = self._settings.guide, self.logger.identity.interval_ns
        self._guiding = None if plan is None else Guiding(plan, run.opening.card, interval_ns)
        return self.recording

    def _start_if_load(self) -> None:
        """Begin a recording where a load has set in: with what came in the seconds before it."""
        if self._is_saving or not self._arming.load_set_in:
            return
        beginning = self._before_load.beginning(self._arming.idle_from_us)
        if beginning is None:
            return
        first = beginning.turns[0]
        try:
            recording = self._open(beginning.at, first.host_ns, first.pending)
        except StorageError as error:  # once is enough: the operator may make room and arm again
            self._arming.arm(armed=False)
            self._tell(str(error))
            return
        self._by_itself = True
        self._arming.started()
        for turn in beginning.turns:
            recording.received(turn.host_ns, turn.received)
            self._deliver(self.run.receive(turn.events, turn.host_ns).ordered)
        self._tell(f"a load set in: recording to {recording.path.name}")

    def stop_recording(self) -> None:
        """End the recording because the operator says so; the next one begins when the operator says so."""
        self._arming.arm(armed=False)
        self.end_recording("the operator stopped it")

    def end_recording(self, how: str) -> None:
        """End the recording with the newest sample; what is missing before it may come a little later."""
        newest = self.run.path.position.next_index
        if not self.records or self._ending is not None:
            return
        self._ending = _Wanted(how, time.monotonic() + ENDING_WAIT_S)
        self._tell("the recording ends as soon as its missing samples have come")
        if newest is not None:
            self._happened(Ending(self.run.moment(time.time_ns()), newest))
        self._end_if_due()

    def cut_off(self, how: str) -> None:
        """End the recording here and now, because no sample can come any more."""
        if self.records:
            self._seal(how, interrupted=True)

    def _end_if_due(self) -> None:
        path, ending = self.run.path, self._ending
        if not self.records:
            return
        if ending is not None:
            nothing_came = path.position.next_index is None
            if path.complete or nothing_came or time.monotonic() >= ending.deadline:
                self._seal(ending.how, interrupted=False)
        elif path.complete:
            self._seal("the planned time was over", interrupted=False)
        elif self.ends_in_s == 0.0:
            self.end_recording("the load had gone")

    def _seal(self, how: str, *, interrupted: bool) -> None:
        if self.recording is None:
            return
        last = self.recording.seal(Ended(self.run.moment(time.time_ns()), how, interrupted))
        self.folds.feed(last)
        if self._guiding is not None:
            self._guiding.feed(last)
        self.finished_figures = self.folds.figures()
        self._ending = None
        self._tell(f"recording ended: {how}")
        self._arming.started()
        if not self._settings.arm_again:
            self._arming.armed = False
        self._begin(Run(self._opening(self.run.path.position, time.time_ns(), None)))

    def _begin(self, run: Run) -> None:
        """Let `run` take the samples from here on; the charts go on, what came before it is forgotten."""
        self._before_load.clear()
        self.run = run
        self.folds = folds_for(run.opening.card, run.path.decoder.divisors)

    def _opening(self, at: Position, opened_ns: int, sample_limit: int | None) -> Opening:
        start = at if at.next_index is not None else None
        zeros = self.run.path.decoder.zeros.present()
        return Opening(opened_ns, self.logger, self.card, start, sample_limit, zeros)

    def _sample_limit(self) -> int | None:
        seconds, interval_ns = self._settings.seconds, self.logger.identity.interval_ns
        return None if seconds is None else max(1, round(seconds * 1e9 / interval_ns))
