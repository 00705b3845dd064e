"""What `demo` and `record` share: recover what was left behind, run the session with or without a screen."""

from __future__ import annotations

import argparse
import threading
import time
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from capture.engine.arming import TAIL_S
from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.engine.snapshot import LinkState, RecordingState, Snapshot
from capture.storage.naming import DEFAULT_FOLDER, journals_in, safe_word
from tui.commands.guided import Instructions, guide_document, print_guide
from tui.commands.stop_signals import on_stop_signal
from tui.guide_words import guide_words
from tui.output import ProgressLine, WrongUsage, print_json, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.bench import Bench
    from capture.errors import CaptureError
    from capture.guide.steps import GuidePlan
    from capture.links.address import Link
    from capture.run_card import RunCard

POLL_S: Final = 0.05
LINE_INTERVAL_S: Final = 1.0
#: How long a link that went away is sought: on screen somebody is there to put the plug back in.
RECONNECT_ON_SCREEN_S: Final = 300.0
RECONNECT_HEADLESS_S: Final = 20.0


class AtFirst(Enum):
    """What a session does with the first samples."""

    RECORD = "record"
    ARM = "arm"
    WATCH = "watch"


def add_capture_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options that every recording command has."""
    parser.add_argument("--headless", action="store_true", help="record at once, without a screen")
    parser.add_argument(
        "--seconds", type=float, metavar="S", help="end the recording after S seconds of the logger's time"
    )
    parser.add_argument(
        "--out", type=Path, default=DEFAULT_FOLDER, metavar="DIR", help="folder for recordings (./recordings)"
    )
    parser.add_argument(
        "--arm",
        action=argparse.BooleanOptionalAction,
        help="let a load start the recording, some seconds before it sets in (--no-arm: do not)",
    )
    parser.add_argument(
        "--tail",
        type=float,
        default=TAIL_S,
        metavar="S",
        help=f"how long an armed recording goes on after the load has gone ({TAIL_S:.0f} s)",
    )
    parser.add_argument(
        "--reconnect",
        type=float,
        metavar="S",
        help="how long to seek a link that goes away in mid-run "
        f"(on screen {RECONNECT_ON_SCREEN_S:.0f} s, headless {RECONNECT_HEADLESS_S:.0f} s)",
    )
    parser.add_argument(
        "--name", help="what to call the file, else it is called after its beginning and pack"
    )
    parser.add_argument("--kind", help="kind of run, for the run card")
    parser.add_argument("--note", default="", help="a note for the run card")
    parser.add_argument("--json", action="store_true", help="print the result as JSON (with --headless)")


def check_arguments(arguments: argparse.Namespace) -> None:
    """Raise WrongUsage where options make no sense."""
    seconds = arguments.seconds
    if seconds is not None and not 0 < seconds < 10**7:
        raise WrongUsage(f"--seconds {seconds:g} is no time to record; give a number above zero")
    if arguments.reconnect is not None and not 0 <= arguments.reconnect < 10**7:
        raise WrongUsage(f"--reconnect {arguments.reconnect:g} is no time to wait; give zero or more seconds")
    if not 0 <= arguments.tail < 10**7:
        raise WrongUsage(f"--tail {arguments.tail:g} is no time to wait; give zero or more seconds")
    if arguments.name is not None and not safe_word(arguments.name):
        raise WrongUsage(f"--name {arguments.name!r} has no letter or digit to call a file by")
    if arguments.json and not arguments.headless:
        raise WrongUsage("--json prints nothing beside a screen; add --headless")


def recover_left_behind(folder: Path) -> None:
    """Finish recordings that a crash interrupted, and say so."""
    if not journals_in(folder):
        return
    from capture.storage.recovery import recover_folder

    recovered, damaged = recover_folder(folder, ProgressLine("recovering").update)
    for recording in recovered:
        say(f"recovered an interrupted recording: {recording.recording} ({recording.samples} samples)")
    for error in damaged:
        say(f"sagline: {error}")


def run_session(
    arguments: argparse.Namespace,
    link: Link,
    card: RunCard,
    *,
    at_first: AtFirst,
    bench: Bench,
    guide: GuidePlan | None = None,
    extra: Callable[[Path], dict[str, Any]] = lambda _recording: {},
) -> int:
    """Run one session on `link`; return the exit status.

    `at_first` is what it does where the options do not say; `bench` is what is known of packs; with a `guide`
    it is a sag test by that plan; `extra` adds entries to the JSON of a finished recording.
    """
    recover_left_behind(arguments.out)
    settings = Settings(
        arguments.out,
        card,
        record_at_once=_at_first(arguments, at_first) is AtFirst.RECORD,
        armed=_at_first(arguments, at_first) is AtFirst.ARM,
        arm_again=not arguments.headless,
        tail_s=arguments.tail,
        seconds=arguments.seconds,
        reconnect_s=_reconnect_s(arguments),
        name=arguments.name,
        bench=bench,
        logger=getattr(arguments, "logger", None),
        guide=guide,
    )
    session = Session(link, settings)
    if not arguments.headless:
        from tui.commands.on_screen import run_on_screen

        return run_on_screen(arguments.out, bench, session)
    snapshot = _headless(session, Instructions(card))

    def added(recording: Path) -> dict[str, Any]:
        told, report = extra(recording), snapshot.guide
        return told if report is None else {**told, "guide": guide_document(report, recording, bench)}

    return _report(arguments, session, snapshot, added)


def _at_first(arguments: argparse.Namespace, at_first: AtFirst) -> AtFirst:
    """Return what a session begins with. Without a screen nobody could start the recording later."""
    if arguments.arm:
        return AtFirst.ARM
    if arguments.headless:
        return AtFirst.RECORD
    return AtFirst.WATCH if arguments.arm is False and at_first is AtFirst.ARM else at_first


def _reconnect_s(arguments: argparse.Namespace) -> float:
    if arguments.reconnect is not None:
        return float(arguments.reconnect)
    return RECONNECT_HEADLESS_S if arguments.headless else RECONNECT_ON_SCREEN_S


def _headless(session: Session, instructions: Instructions) -> Snapshot:
    """Record until the planned time is over, the link is lost, or the operator stops it."""
    stopped = threading.Event()
    with on_stop_signal(stopped.set):
        session.open()
        next_line = time.monotonic() + LINE_INTERVAL_S
        while not stopped.is_set() and not _over(session.snapshot()):
            time.sleep(POLL_S)
            instructions.say_changes(session.snapshot())
            if time.monotonic() >= next_line:
                next_line += LINE_INTERVAL_S
                say(live_line(session.snapshot()))
        session.close()
    instructions.say_changes(session.snapshot())
    return session.snapshot()


def _over(snapshot: Snapshot) -> bool:
    ended = {RecordingState.SAVED, RecordingState.INTERRUPTED}
    return snapshot.recording.state in ended or snapshot.link.state in {LinkState.LOST, LinkState.FAILED}


def live_line(snapshot: Snapshot) -> str:
    """Return the figures of the moment on one line."""
    figures, latest = snapshot.figures, snapshot.latest
    if figures is None:
        return f"{snapshot.link.state.value}: {snapshot.link.address}"
    current, voltage = latest.get("current_a"), latest.get("voltage_v")
    parts = [f"{snapshot.run_s:7.1f} s"]
    if voltage is not None:
        parts.append(f"{voltage:6.2f} V")
    if current is not None:
        parts.append(f"{current:6.1f} A")
    if snapshot.power_w is not None:
        parts.append(f"{snapshot.power_w:6.0f} W")
    if figures.energy is not None:
        parts.append(f"{figures.energy.value:7.3f} Wh")
    parts.append(f"{snapshot.recording.samples} samples, {snapshot.link.lost_samples} lost")
    if snapshot.link.state is not LinkState.STREAMING:
        parts.append(snapshot.link.state.value)
    if snapshot.guide is not None:
        parts.append(guide_words(snapshot.guide, snapshot.link.state).headline)
    return "  ".join(parts)


def _report(
    arguments: argparse.Namespace,
    session: Session,
    snapshot: Snapshot,
    extra: Callable[[Path], dict[str, Any]],
) -> int:
    """Say what became of the recording, and what went wrong if anything did."""
    recording = snapshot.recording
    saved = recording.path if recording.state is RecordingState.SAVED else None
    if saved is not None:
        document = {
            "recording": str(saved),
            "samples": recording.samples,
            "lost_samples": snapshot.link.lost_samples,
            **extra(saved),
        }
        if arguments.json:
            print_json(document)
        else:
            say(f"saved {saved}: {recording.samples} samples, {snapshot.link.lost_samples} lost")
            if "guide" in document:
                print_guide(document["guide"])
    failure: CaptureError | None = session.failure
    if recording.state is RecordingState.INTERRUPTED:
        say(f"sagline: {recording.message}")
    elif failure is not None:
        kept = "" if saved is None else f" The run up to there is in {saved}."
        say(f"sagline: {failure}{kept}")
    elif saved is None:
        say("sagline: stopped before anything was recorded")
    return 0 if saved is not None and failure is None else 1
