"""The workbench of this computer: its ports, a folder of recordings, and sessions of our own engine."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from capture.bench import Bench
from capture.engine.live_run import Settings
from capture.engine.session import Session
from capture.links import finding
from capture.links.address import open_address
from capture.links.virtual import VirtualLink
from capture.run_card import RunCard
from tui.commands.capturing import RECONNECT_ON_SCREEN_S
from tui.commands.demo import DEMO_BENCH, DEMO_KIND, DEMO_TOOL, demo_rig

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from capture.errors import StorageError
    from capture.links.address import Link
    from capture.links.finding import FoundLogger, Source
    from capture.resistance import Pulses, Resistance
    from capture.storage.amendments import Amendments
    from capture.storage.shelf import ShelvedRecording
    from capture.summary import Summary
    from capture.work import RunWork


class LocalWorkbench:
    """Implements `Workbench` with the real parts. Libraries for files load with the first use."""

    def __init__(self, folder: Path, bench: Bench, sources: Sequence[Source] = finding.SOURCES) -> None:
        self.folder = folder
        self._bench = bench
        self._sources = sources
        self._stop = threading.Event()
        self._over = threading.Event()
        self._over.set()

    def find_loggers(self) -> Iterator[FoundLogger]:
        """Yield the loggers in reach as they answer; one search at a time."""
        self.stop_looking()
        self._stop, self._over = threading.Event(), threading.Event()
        over = self._over
        try:
            yield from finding.find_loggers(self._sources, stop=self._stop)
        finally:
            over.set()

    def stop_looking(self) -> None:
        """End a search that is under way; returns when its ports are let go, or hang."""
        self._stop.set()
        self._over.wait(finding.HANGS_AFTER_S)

    def recover(self, progress: Callable[[int, int], None]) -> list[str]:
        """Finish interrupted recordings; return what became of each in a line."""
        from capture.storage.naming import journals_in

        if not journals_in(self.folder):
            return []
        from capture.storage.recovery import recover_folder

        recovered, damaged = recover_folder(self.folder, progress)
        return [
            *(
                f"finished {one.recording.name}: {one.samples} samples, {one.lost_samples} lost"
                for one in recovered
            ),
            *(f"could not be finished: {error}" for error in damaged),
        ]

    def recordings(self) -> tuple[list[ShelvedRecording], list[StorageError]]:
        """Return the recordings of the folder, newest first, and why others cannot be read."""
        from capture.storage.shelf import recordings_in

        return recordings_in(self.folder)

    def open_logger(self, address: str) -> Session:
        """Return a session with the logger at `address`, opened; raises InputError if it names no link."""
        return self._opened(open_address(address), RunCard(), self._bench)

    def open_demo(self) -> Session:
        """Return a session with the virtual pole saw, as `sagline demo` has it."""
        demo = demo_rig()
        return self._opened(VirtualLink(demo.address, demo.rig), demo.card(DEMO_KIND))

    def _opened(self, link: Link, card: RunCard, bench: Bench | None = None) -> Session:
        settings = Settings(
            self.folder, card, armed=True, reconnect_s=RECONNECT_ON_SCREEN_S, bench=bench or Bench()
        )
        session = Session(link, settings)
        session.open()
        return session

    def complete(self, card: RunCard) -> RunCard:
        """Return the card with what the bench file, or else the demo's, says of its pack."""
        return self._bench.completed(DEMO_BENCH.completed(card) if card.tool == DEMO_TOOL else card)

    def read(self, recording: Path, progress: Callable[[int], None]) -> Summary:
        """Return the figures of a recording; raises StorageError."""
        from capture.storage.recording import open_recording
        from capture.summary import summarise

        return summarise(open_recording(recording), progress)

    def pulses(self, recording: Path) -> Pulses:
        """Return the pulse resistances of a recording's pack; raises StorageError."""
        from capture.resistance import pulses_of
        from capture.storage.recording import open_recording

        return pulses_of(open_recording(recording), bench=self._bench)

    def resistance(self, recording: Path) -> Resistance:
        """Return what a recording tells of its pack's resistance; raises StorageError."""
        from capture.resistance import resistance
        from capture.storage.recording import open_recording

        return resistance(open_recording(recording), bench=self._bench)

    def work(self, recording: Path) -> RunWork:
        """Return what a recording tells of the tool's work; raises StorageError."""
        from capture.storage.recording import open_recording
        from capture.work import run_work

        return run_work(open_recording(recording))

    def amend(self, recording: Path, amendments: Amendments) -> None:
        """Keep what was learnt of a run beside its recording; raises StorageError."""
        from capture.storage.amendments import amend

        amend(recording, amendments)
